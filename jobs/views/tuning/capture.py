"""Factory signal: what each output of the factory amplifier carries, and which to take."""

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.tuning.uploads import OutputForm, SumForm
from jobs.models import FactoryOutput, FactorySum
from jobs.plan import capture as sums
from jobs.services.tuning import capture as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.tuning.common import show
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token

NEW = 0
"""The key of an output or a sum that is not there yet."""

KINDS: dict[str, Any] = {"output": FactoryOutput, "sum": FactorySum}


@allow_any_staff
@require_safe
def capture(request: Request, number: int) -> HttpResponse:
    """The measured outputs, the verdict on each, and which inputs to use."""
    sheet = BaySheet.of(request, number, "tuning")
    outputs = list(sheet.job.factory_outputs.all())
    together = list(sheet.job.factory_sums.select_related("first", "second"))
    report, trouble = sums.captured(outputs, together)
    by_output = {one.id: one for one in report.outputs} if report else {}
    pairs = {(one.first, one.second): one for one in report.pairs} if report else {}
    names = {str(one.pk): one.name for one in outputs}
    covers = report.covers if report else ()
    return show(
        request,
        sheet,
        "capture",
        "tuning/capture.html",
        outputs=[(one, by_output.get(str(one.pk))) for one in outputs],
        together=[(one, pairs.get((str(one.first_id), str(one.second_id)))) for one in together],
        covers=[(one, [(entry, names.get(pk, pk)) for entry, pk in one.inputs]) for one in covers],
        plot=sums.capture_plot(outputs, report) if report else "",
        report=report,
        trouble=trouble,
    )


def _row(number: int, kind: str, pk: int) -> Any:
    if kind not in KINDS:
        raise Http404(gettext("There is no such thing to measure."))
    return get_object_or_404(KINDS[kind], pk=pk, job__number=number) if pk != NEW else None


def _form(sheet: BaySheet, kind: str, row: Any, *data: Any) -> OutputForm | SumForm:
    if kind == "output":
        return OutputForm(row, *data)
    return SumForm(sheet.job.factory_outputs.all(), row, *data)


def _dialog(
    request: Request, sheet: BaySheet, kind: str, row: Any, form: Any, trouble: str = ""
) -> HttpResponse:
    bound = form.is_bound
    new = gettext("New output") if kind == "output" else gettext("New sum")
    context = {
        "sheet": sheet,
        "kind": kind,
        "held": row,
        "key_of_row": row.pk if row is not None else NEW,
        "form": form,
        "trouble": trouble,
        "title": str(row) if row is not None else new,
    }
    status = 422 if bound or trouble else 200
    return answers.dialog(request, sheet, "tuning/capture_form.html", context, status)


@allow_any_staff
@require_http_methods(["GET", "HEAD"])
def edit(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """One output, or two measured together: what is known, to look at and to change."""
    row = _row(number, kind, pk)
    sheet = BaySheet.of(request, number, "tuning")
    return _dialog(request, sheet, kind, row, _form(sheet, kind, row))


@allow(*BENCH)
@require_POST
def save(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """Save one output or one sum."""
    row = _row(number, kind, pk)
    sheet = BaySheet.of(request, number, "tuning")
    form = _form(sheet, kind, row, request.POST, request.FILES)
    if not form.is_valid():
        return _dialog(request, sheet, kind, row, form)
    write: Any = service.save_output if kind == "output" else service.save_sum
    try:
        write(
            number,
            row.pk if row is not None else None,
            form.facts,
            actor=actor(request),
            version=answers.version_of(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return _dialog(request, sheet, kind, row, form, " ".join(refused.reasons))
    return answers.reload(request, sheet.url("bay_capture"))


@allow(*BENCH)
@require_POST
def remove(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """Take an output or a sum away."""
    row = _row(number, kind, pk)
    to = BaySheet.of(request, number).url("bay_capture")
    if row is None:
        raise Http404(gettext("There is nothing to remove."))
    try:
        service.remove(number, kind, pk, actor=actor(request), key=token(request.POST.get("key")))
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    return answers.reload(request, to)
