"""Measured responses: import, which of them count, before against after, distance to a target."""

from functools import partial
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.cells import Cleaned
from jobs.forms.tuning.cells import measured_fields
from jobs.forms.tuning.uploads import ImportForm, TextForm
from jobs.models import MeasuredPhase, MeasuredResponse
from jobs.plan import measured as sums
from jobs.plan.agreement import told_of
from jobs.plan.power import doc
from jobs.services.saving import FieldClash
from jobs.services.tuning import measured as service
from jobs.services.tuning.facts import facts_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import what_it_feeds
from jobs.views.bay.rows import cell_row
from jobs.views.tuning.common import before_plan, show
from jobs.views.tuning.facts import facts_html
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token

EVERYTHING = "all"
GROUPS = ((EVERYTHING, "Everything"), ("left", "Left side"), ("right", "Right side"))


def playing_choices(plan: doc.Plan) -> list[tuple[str, str]]:
    """What can be playing while a response is measured."""
    channels = [
        (one.id, f"{one.id} {what_it_feeds(plan, one.id)}") for one in plan.channels if one.speakers
    ]
    return [*GROUPS, *channels]


def row_html(
    sheet: BaySheet,
    measured: MeasuredResponse,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One measurement in the list, which saves itself."""
    fields = measured_fields(list(playing_choices(sheet.plan)))
    row = cell_row(measured, fields, cleaned, clashes or [], measured.file_name)
    hz = [point[0] for point in measured.points]
    context = {
        "sheet": sheet,
        "measured": measured,
        "row": row,
        "span": (min(hz), max(hz)) if hz else None,
        "outdated": bool(measured.points)
        and measured.phase == MeasuredPhase.AFTER
        and sums.is_outdated(measured, sheet.plan),
    }
    return render_to_string("tuning/measured_row.html", context)


def comparison(sheet: BaySheet, rows: list[MeasuredResponse], playing: str) -> dict[str, Any]:
    """Before against after against the target, of one thing playing."""
    facts = facts_of(sheet.job)
    known = sums.targets()
    target = known.get(facts.target) or next(iter(known.values()))
    words = dict(playing_choices(sheet.plan)).get(playing, playing)
    sides = {
        phase: sums.counted(rows, phase, playing)
        for phase in (MeasuredPhase.BEFORE, MeasuredPhase.AFTER)
    }
    context: dict[str, Any] = {
        "playing": playing,
        "words": words,
        "target": target,
        "counts": {phase.value: len(responses) for phase, responses in sides.items()},
        "label": f"Measured response, {words}",
    }
    try:
        before, after = (sums.averaged(responses, facts.smoothing) for responses in sides.values())
        now = sums.expected(sides[MeasuredPhase.AFTER], sheet.plan, facts.smoothing)
        context["disagrees"] = told_of(
            sides[MeasuredPhase.BEFORE],
            sides[MeasuredPhase.AFTER],
            before_plan(sheet),
            sheet.plan,
            playing,
            facts.smoothing,
        )
    except sums.MeasurementError as error:
        return {**context, "trouble": str(error)}
    context["as_setup"] = sums.as_setup(
        sides[MeasuredPhase.AFTER], service.of_setup(sheet.job, playing)
    )
    context["takes_as_one"] = any(map(sums.takes_at_one_place, sides.values()))
    context["made_of"] = [
        (phase.label, made)
        for phase, responses in sides.items()
        if (made := sums.made_of(responses))
    ]
    band = sums.playing_band_hz(sheet.plan, playing)
    context["plot"] = sums.overlay(before, after, target, context["label"], now, band_hz=band)
    context["verdict"] = sums.judged(before, after, target, band)
    context["expected"] = now is not None
    context["outdated"] = any(
        sums.is_outdated(row, sheet.plan) for row in sides[MeasuredPhase.AFTER]
    )
    return context


def _chosen(request: Request, rows: list[MeasuredResponse], plan: doc.Plan) -> str:
    """What is shown: as asked, else the first thing that was measured."""
    asked = request.GET.get("playing", "")
    have = {row.playing for row in rows if row.counts and row.points}
    order = [key for key, _ in playing_choices(plan) if key in have]
    return asked if asked in have else order[0] if order else EVERYTHING


def _shown(request: Request, sheet: BaySheet) -> dict[str, Any]:
    rows = list(sheet.job.measured.select_related("by"))
    playing = _chosen(request, rows, sheet.plan)
    have = {row.playing for row in rows if row.counts and row.points}
    return {
        "rows": rows,
        "comparison": comparison(sheet, rows, playing),
        "shown": [one for one in playing_choices(sheet.plan) if one[0] in have],
    }


@allow_any_staff
@require_safe
def measured(request: Request, number: int) -> HttpResponse:
    """What was measured before and after."""
    return _page(request, number)


def _page(
    request: Request, number: int, form: ImportForm | None = None, status: int = 200
) -> HttpResponse:
    sheet = BaySheet.of(request, number, "tuning")
    shown = _shown(request, sheet)
    return show(
        request,
        sheet,
        "measured",
        "tuning/measured.html",
        status=status,
        form=form or ImportForm(list(playing_choices(sheet.plan)), initial=_next(shown["rows"])),
        groups=[
            (label, [row_html(sheet, row) for row in shown["rows"] if row.phase == phase])
            for phase, label in MeasuredPhase.choices
        ],
        aim=facts_html(sheet, "aim"),
        **shown,
    )


def _next(rows: list[MeasuredResponse]) -> dict[str, str]:
    """What the form begins with: as the last import, before when there is none."""
    if not rows:
        return {"phase": MeasuredPhase.BEFORE, "playing": EVERYTHING}
    last = rows[-1]
    return {"phase": last.phase, "playing": last.playing}


@allow_any_staff
@require_safe
def compared(request: Request, number: int) -> HttpResponse:
    """The curves and the distances again, after something changed."""
    sheet = BaySheet.of(request, number, "tuning")
    return render(request, "tuning/measured_shown.html", {"sheet": sheet, **_shown(request, sheet)})


@allow(*BENCH)
@require_http_methods(["POST"])
def import_responses(request: Request, number: int) -> HttpResponse:
    """Take in files or pasted text; what cannot be read is kept too, with the lines at fault."""
    sheet = BaySheet.of(request, number, "tuning")
    form = ImportForm(list(playing_choices(sheet.plan)), request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, number, form, 422)
    data, key = form.cleaned_data, token(request.POST.get("key"))
    unread = None
    count = 0
    try:
        for place, (file_name, where, content) in enumerate(form.uploads()):
            row = service.import_response(
                number,
                phase=data["phase"],
                playing=data["playing"],
                place=where,
                file_name=file_name,
                content=content,
                actor=actor(request),
                key=f"{key}-{place}" if key else "",
            )
            count += 1
            if row is not None and not row.points:
                unread = unread or row
    except Refused as refused:
        form.add_error("text_files", " ".join(refused.reasons))
        return _page(request, number, form, 422)
    if unread is not None:
        messages.warning(
            request,
            gettext("%(file_name)s could not be read: the lines at fault are shown.")
            % {"file_name": unread.file_name},
        )
        return redirect("bay_measured_text", number, unread.pk)
    said = ngettext("%(count)s measurement is in.", "%(count)s measurements are in.", count)
    messages.success(request, said % {"count": count})
    return redirect(f"{sheet.url('bay_measured')}?playing={data['playing']}")


@allow(*BENCH)
@require_POST
def save_measured(request: Request, number: int, pk: int) -> HttpResponse:
    """Save where one was taken, what was playing, or whether it counts."""
    plan = BaySheet.of(request, number).plan

    def read() -> MeasuredResponse:
        return MeasuredResponse.objects.get(pk=pk, job__number=number)

    fields = measured_fields(list(playing_choices(plan)))
    return answers.save_cells(
        request,
        number,
        "tuning",
        fields,
        partial(service.save_measured, number, pk),
        row_html,
        read,
    )


@allow(*BENCH)
@require_POST
def remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a measurement away."""
    get_object_or_404(MeasuredResponse, pk=pk, job__number=number)
    to = BaySheet.of(request, number).url("bay_measured")
    try:
        service.remove_measured(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    return answers.reload(request, to)


@allow_any_staff
@require_http_methods(["GET", "HEAD"])
def text(request: Request, number: int, pk: int) -> HttpResponse:
    """The uploaded text, with what is wrong in it."""
    return _text(request, number, pk)


def _text(
    request: Request, number: int, pk: int, form: TextForm | None = None, trouble: str = ""
) -> HttpResponse:
    sheet = BaySheet.of(request, number, "tuning")
    row = get_object_or_404(MeasuredResponse, pk=pk, job=sheet.job)
    status = 422 if form is not None or trouble else 200
    return show(
        request,
        sheet,
        "measured",
        "tuning/measured_text.html",
        status=status,
        measured=row,
        form=form or TextForm(initial={"text": row.text}),
        trouble=trouble,
        lines=len(row.text.splitlines()),
    )


@allow(*BENCH)
@require_POST
def correct(request: Request, number: int, pk: int) -> HttpResponse:
    """Read the text again as put right."""
    get_object_or_404(MeasuredResponse, pk=pk, job__number=number)
    form = TextForm(request.POST)
    if not form.is_valid():
        return _text(request, number, pk, form)
    try:
        row = service.correct_text(
            number,
            pk,
            form.cleaned_data["text"],
            actor=actor(request),
            version=answers.version_of(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return _text(request, number, pk, form, " ".join(refused.reasons))
    if not row.points:
        return _text(request, number, pk, form)
    messages.success(
        request,
        gettext("%(file_name)s is read: %(points)s points.")
        % {"file_name": row.file_name, "points": len(row.points)},
    )
    return redirect("bay_measured", number)
