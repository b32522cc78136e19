"""Function checks and readings, before the work and after it."""

from functools import partial
from itertools import groupby
from typing import Any, Final, NamedTuple

from django.db.models import Q
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.add import FunctionForm, ReadingForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import fault_fields, function_fields, reading_fields
from jobs.lists.functions import HEARD
from jobs.models import FaultCodes, FunctionCheck, FunctionResult, Job, Reading
from jobs.plan.fault_codes import new_codes
from jobs.plan.heard import LEVELS
from jobs.services import fault_codes as faults, functions, readings
from jobs.services.saving import FieldClash, Saved
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.rows import cell_row
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.kept_words import told
from shop.roles import BENCH
from shop.typed import token

PHASES: Final = ("before", "after")
_WITH_PEOPLE: Final = ("before_by", "after_by")


class Group(NamedTuple):
    """Functions that are tried together, and how many are still to try."""

    name: str
    rows: list[str]
    left: int


def _phase(phase: str) -> str:
    if phase not in PHASES:
        raise Http404(gettext("A function is tried before or after."))
    return phase


def _was_heard(check: FunctionCheck) -> str:
    """From where and how loud a signal was heard before the work."""
    return ", ".join(filter(None, [check.get_before_heard_from_display(), check.before_level]))


def _is_heard(check: FunctionCheck, phase: str) -> bool:
    """Place and level are asked of a signal that works; after the work of one that was heard."""
    if check.name not in HEARD:
        return False
    asked = phase == "before" or bool(_was_heard(check))
    return asked and getattr(check, phase) == FunctionResult.WORKS


def function_html(
    sheet: BaySheet,
    check: FunctionCheck,
    phase: str,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One function with its choice; after the work the result before stands beside it."""
    fields = function_fields(phase)
    row = cell_row(check, fields, cleaned, clashes or [], check.name)
    return render_to_string(
        "bay/function_row.html",
        {
            "sheet": sheet,
            "row": row,
            "check": check,
            "phase": phase,
            "result": row.value(phase) or "",
            "choices": [c for c in FunctionResult.choices if c[0]],
            "by": getattr(check, f"{phase}_by"),
            "at": getattr(check, f"{phase}_at"),
            "lost": check.was_lost and phase == "after",
            "heard": _is_heard(check, phase),
            "heard_from": f"{phase}_heard_from",
            "level": f"{phase}_level",
            "was_heard": _was_heard(check) if phase == "after" else "",
        },
    )


def reading_html(
    sheet: BaySheet,
    reading: Reading,
    phase: str,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One reading with value and instrument; after the work the value before stands beside it."""
    row = cell_row(reading, reading_fields(phase), cleaned, clashes or [], reading.label)
    return render_to_string(
        "bay/reading_row.html",
        {
            "sheet": sheet,
            "row": row,
            "reading": reading,
            "phase": phase,
            "value_name": f"{phase}_value",
            "instrument_name": f"{phase}_instrument",
            "wanted": phase == "after" or reading.wanted_before,
            "by": getattr(reading, f"{phase}_by"),
            "at": getattr(reading, f"{phase}_at"),
        },
    )


def faults_html(
    sheet: BaySheet,
    phase: str,
    codes: FaultCodes | None = None,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """Fault codes read; after the work those before stand beside them, and what is new."""
    kept = codes or FaultCodes.objects.filter(job=sheet.job).select_related(*_WITH_PEOPLE).first()
    codes = kept or FaultCodes(job=sheet.job, version=0)
    return render_to_string(
        "bay/fault_codes.html",
        {
            "sheet": sheet,
            "phase": phase,
            "codes": codes,
            "name": f"{phase}_codes",
            "row": cell_row(codes, fault_fields(phase), cleaned, clashes or [], "this car"),
            "by": getattr(codes, f"{phase}_by"),
            "at": getattr(codes, f"{phase}_at"),
            "new": new_codes(codes.before_codes, codes.after_codes) if phase == "after" else [],
        },
    )


def progress_html(phase: str, checks: list[FunctionCheck], oob: bool = False) -> str:
    """How many functions are tried, and which are left."""
    left = sum(getattr(check, phase) == FunctionResult.UNTRIED for check in checks)
    return render_to_string(
        "bay/progress.html",
        {"left": left, "total": len(checks), "tried": len(checks) - left, "oob": oob},
    )


def _page(
    request: Request,
    number: int,
    phase: str,
    *,
    function_form: FunctionForm | None = None,
    reading_form: ReadingForm | None = None,
) -> HttpResponse:
    sheet = BaySheet.of(request, number, phase)
    checks = list(sheet.job.function_checks.select_related(*_WITH_PEOPLE))
    groups = [
        Group(
            name,
            [function_html(sheet, check, phase) for check in rows],
            sum(getattr(check, phase) == FunctionResult.UNTRIED for check in rows),
        )
        for name, rows in ((name, list(rows)) for name, rows in groupby(checks, _group_of))
    ]
    listed = sheet.job.readings.select_related(*_WITH_PEOPLE)
    if phase == "before":
        listed = listed.filter(Q(wanted_before=True) | Q(before_value__isnull=False))
    answer = answers.page(
        request,
        sheet,
        "bay/checks.html",
        phase=phase,
        groups=groups,
        progress=progress_html(phase, checks),
        faults=faults_html(sheet, phase),
        readings=[reading_html(sheet, reading, phase) for reading in listed],
        instruments=_instruments(sheet.job),
        levels=LEVELS,
        function_form=function_form or FunctionForm(),
        reading_form=reading_form or ReadingForm(),
    )
    if function_form or reading_form:
        answer.status_code = 422
    return answer


def _group_of(check: FunctionCheck) -> str:
    return check.group


def _instruments(job: Job) -> list[str]:
    """Instruments used on this job, to pick from."""
    names = job.readings.values_list("before_instrument", "after_instrument")
    return sorted({name for pair in names for name in pair if name})


@allow_any_staff
@require_safe
def before(request: Request, number: int) -> HttpResponse:
    return _page(request, number, "before")


@allow_any_staff
@require_safe
def after(request: Request, number: int) -> HttpResponse:
    return _page(request, number, "after")


@allow(*BENCH)
@require_POST
def function(request: Request, number: int, phase: str, pk: int) -> HttpResponse:
    """Save the result or the note of one function."""
    _phase(phase)

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        checks = list(sheet.job.function_checks.select_related(*_WITH_PEOPLE))
        fresh = next((check for check in checks if check.pk == pk), row)
        return function_html(sheet, fresh, phase, cleaned, clashes) + progress_html(
            phase, checks, oob=True
        )

    return answers.save_cells(
        request,
        number,
        phase,
        function_fields(phase),
        partial(functions.record, number, pk, phase),
        draw,
        lambda: FunctionCheck.objects.get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def all_work(request: Request, number: int, phase: str) -> HttpResponse:
    """Every function of the group without a result yet works, or still is not fitted."""
    get_object_or_404(Job, number=number)
    group = request.POST.get("group", "")
    try:
        event = functions.all_work(
            number,
            _phase(phase),
            group,
            actor=actor(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, phase, refused)
    if event is None:
        text = gettext("Every one had a result already.")
    else:
        absent = len(event.after.get("not_fitted", ()))
        said = (
            gettext("%(group)s: %(count)s marked as working, %(absent)s not fitted as before.")
            if absent
            else gettext("%(group)s: %(count)s marked as working.")
        )
        text = said % {"group": told(group), "count": event.after["count"], "absent": absent}
    html = _group_html(request, number, phase, group)
    return answers.done(request, number, phase, text, event=event, html=html)


def _group_html(request: Request, number: int, phase: str, group: str) -> str:
    sheet = BaySheet.of(request, number, phase)
    checks = list(sheet.job.function_checks.select_related(*_WITH_PEOPLE))
    rows = [check for check in checks if check.group == group]
    left = sum(getattr(check, phase) == FunctionResult.UNTRIED for check in rows)
    shown = Group(group, [function_html(sheet, check, phase) for check in rows], left)
    html = render_to_string(
        "bay/function_group.html", {"sheet": sheet, "group": shown, "phase": phase}
    )
    return html + progress_html(phase, checks, oob=True)


@allow(*BENCH)
@require_POST
def add_function(request: Request, number: int, phase: str) -> HttpResponse:
    """Add a function of this car to the list."""
    get_object_or_404(Job, number=number)
    form = FunctionForm(request.POST)
    if form.is_valid():
        try:
            functions.add_function(
                number,
                name=form.cleaned_data["name"],
                how=form.cleaned_data["how"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            return answers.reload(
                request, BaySheet.of(request, number).url(f"bay_{_phase(phase)}") + "#added"
            )
    return _page(request, number, _phase(phase), function_form=form)


@allow(*BENCH)
@require_POST
def reading(request: Request, number: int, phase: str, pk: int) -> HttpResponse:
    """Save the value or instrument of one reading; the instrument is kept for the next."""
    _phase(phase)

    def save(changes: dict[str, Any], **by: Any) -> Saved:
        if named := changes.get(f"{phase}_instrument"):
            request.session["instrument"] = named
        return readings.record(
            number,
            pk,
            phase,
            changes,
            **by,
            instrument=request.session.get("instrument", ""),
        )

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return reading_html(sheet, row, phase, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        phase,
        reading_fields(phase),
        save,
        draw,
        lambda: Reading.objects.select_related(*_WITH_PEOPLE).get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def fault_codes(request: Request, number: int, phase: str) -> HttpResponse:
    """Save the fault codes read before, or after."""
    _phase(phase)
    job = get_object_or_404(Job, number=number)

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return faults_html(sheet, phase, row, cleaned, clashes)

    def read() -> FaultCodes:
        kept = FaultCodes.objects.filter(job=job).first()
        return kept or FaultCodes(job=job, version=0)

    return answers.save_cells(
        request,
        number,
        phase,
        fault_fields(phase),
        partial(faults.save_codes, number, phase),
        draw,
        read,
    )


@allow(*BENCH)
@require_POST
def add_reading(request: Request, number: int, phase: str) -> HttpResponse:
    """Add a reading of this job's own."""
    get_object_or_404(Job, number=number)
    form = ReadingForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        try:
            readings.add_reading(
                number,
                label=data["label"],
                unit=data["unit"],
                wanted_before=data["wanted_before"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("label", refused.reasons[0])
        else:
            return answers.reload(
                request, BaySheet.of(request, number).url(f"bay_{_phase(phase)}") + "#readings"
            )
    return _page(request, number, _phase(phase), reading_form=form)
