"""The power plan: supply, runs with their figures, proposals, and the one-line diagram."""

from functools import partial
from typing import Any

from django import forms
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.html import format_html
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs import wording
from jobs.errors import Refused
from jobs.forms.bay.add import RunForm, SupplyPartForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import nodes_of, run_fields, supply_fields
from jobs.models import PowerRun, SupplyFacts
from jobs.plan.power import ampacity_sources, fuse_for, proposals_for, run_figures
from jobs.plan.stock import stock
from jobs.services import power as service
from jobs.services.saving import FieldClash
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.places import anchor
from jobs.views.bay.power_rows import (
    diagram_svg,
    draws_html,
    run_html,
    suggested_run,
    supply_html,
    supply_report_html,
)
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token

GROUPS = ("path", "cable")


@allow_any_staff
@require_safe
def power(request: Request, number: int) -> HttpResponse:
    return _page(request, BaySheet.of(request, number, "power"))


def _page(
    request: Request,
    sheet: BaySheet,
    form: forms.Form | None = None,
    part_form: SupplyPartForm | None = None,
) -> HttpResponse:
    asked = request.GET.get("show", "")
    show = asked if asked in GROUPS else GROUPS[0]
    runs = list(sheet.job.runs.all())
    fields = run_fields(sheet.shop, nodes_of(sheet.plan))
    drawn = {
        kind: [run_html(sheet, run, fields, show) for run in runs if run.kind == kind]
        for kind in PowerRun.Kind.values
    }
    supply = getattr(sheet.job, "supply", None)
    answer = answers.page(
        request,
        sheet,
        "bay/power.html",
        shows=("runs", "diagram", "supply", "draws"),
        show=show,
        feeds=drawn["feed"],
        returns=drawn["return"],
        supply=supply_html(sheet, supply) if supply else "",
        diagram=diagram_svg(sheet),
        supply_report=supply_report_html(sheet),
        draws=draws_html(sheet),
        ampacity_sources=ampacity_sources(sheet.plan),
        solution=sheet.solution,
        high_voltage=sheet.job.vehicle.vehicle_model.high_voltage,
        form=form or RunForm(sheet.shop, nodes_of(sheet.plan), initial=suggested_run(sheet)),
        part_form=part_form or SupplyPartForm(),
    )
    if form is not None or part_form is not None:
        answer.status_code = 422
    return answer


@allow_any_staff
@require_safe
def diagram(request: Request, number: int) -> HttpResponse:
    """The one-line diagram alone, fetched when a save changed it."""
    return HttpResponse(diagram_svg(BaySheet.of(request, number, "power")))


@allow(*BENCH)
@require_POST
def save_supply(request: Request, number: int, pk: int) -> HttpResponse:
    """Save what is known of battery and alternator."""

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return supply_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "power",
        supply_fields(),
        partial(service.save_supply, number, pk),
        draw,
        lambda: SupplyFacts.objects.get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def save_run(request: Request, number: int, pk: int) -> HttpResponse:
    """Save cells of one run."""
    before = BaySheet.of(request, number, "power")
    fields = run_fields(before.shop, nodes_of(before.plan))
    current = request.htmx.current_url or ""
    show = "cable" if "show=cable" in current else "path"

    def draw(sheet: BaySheet, row: PowerRun, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return run_html(sheet, row, fields, show, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "power",
        fields,
        partial(service.save_run, number, pk),
        draw,
        lambda: PowerRun.objects.get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def add_run(request: Request, number: int) -> HttpResponse:
    """Add a run from the small form below the table."""
    sheet = BaySheet.of(request, number, "power")
    form = RunForm(sheet.shop, nodes_of(sheet.plan), request.POST)
    if form.is_valid():
        try:
            service.add_run(
                number, form.facts, actor=actor(request), key=token(request.POST.get("key"))
            )
        except Refused as refused:
            form.add_error(None, " ".join(refused.reasons))
        else:
            return answers.reload(request, sheet.url("bay_power") + "#add-run")
    return _page(request, sheet, form)


@allow(*BENCH)
@require_POST
def add_supply_part(request: Request, number: int) -> HttpResponse:
    """Put a battery, capacitor, isolator or converter of the catalogue among the job's parts."""
    sheet = BaySheet.of(request, number, "power")
    form = SupplyPartForm(request.POST)
    if form.is_valid():
        try:
            service.add_supply_part(
                number,
                form.cleaned_data["product"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error(None, " ".join(refused.reasons))
        else:
            return answers.reload(request, sheet.url("bay_power") + "#add-run")
    return _page(request, sheet, part_form=form)


@allow(*BENCH)
@require_POST
def copy_run(request: Request, number: int, pk: int) -> HttpResponse:
    """Add a run with the same facts."""
    get_object_or_404(PowerRun, pk=pk, job__number=number)
    try:
        service.copy_run(number, pk, actor=actor(request), key=token(request.POST.get("key")))
    except Refused as refused:
        return answers.refused(request, number, "power", refused)
    return answers.reload(request, BaySheet.of(request, number).url("bay_power"))


@allow(*BENCH)
@require_POST
def remove_run(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a run out of the plan, with a way back."""
    run = get_object_or_404(PowerRun, pk=pk, job__number=number)
    try:
        event = service.remove_run(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "power", refused)
    gone = '<template><tr id="{}" hx-swap-oob="delete"></tr></template>'
    row = format_html(gone, anchor(run.label))
    text = gettext("%(what)s removed.") % {"what": run.label}
    return answers.done(request, number, "power", text, event=event, html=row)


@allow_any_staff
@require_safe
def run(request: Request, number: int, pk: int) -> HttpResponse:
    """One run opened: its figures with the sums behind them, proposals, copy and remove."""
    sheet = BaySheet.of(request, number, "power")
    row = get_object_or_404(PowerRun, pk=pk, job=sheet.job)
    solution = sheet.solution
    kept = stock()
    context: dict[str, Any] = {
        "sheet": sheet,
        "run": row,
        "figures": run_figures(sheet.plan, solution, row.label) if solution else [],
        "ampacity_sources": ampacity_sources(sheet.plan, row.label),
        "between": row.label in sheet.between_sources,
        "fuse": fuse_for(sheet.plan, row.label, kept),
        "proposals": proposals_for(sheet.plan, row.label, kept) if sheet.can_edit else [],
    }
    return answers.dialog(request, sheet, "bay/run.html", context)


@allow_any_staff
@require_safe
def device(request: Request, number: int, label: str) -> HttpResponse:
    """One device opened: what it draws and gets, each figure with its sum."""
    sheet = BaySheet.of(request, number, "power")
    draw = next((one for one in sheet.draws if one.id == label), None)
    if draw is None:
        raise Http404
    return answers.dialog(request, sheet, "bay/device.html", {"draw": draw})


@allow(*BENCH)
@require_POST
def take_proposal(request: Request, number: int, pk: int) -> HttpResponse:
    """Put the proposed cable and fuse in the run, or a fuse for its cable, worked out afresh."""
    sheet = BaySheet.of(request, number, "power")
    row = get_object_or_404(PowerRun, pk=pk, job=sheet.job)
    wanted = request.POST.get("metal", "copper")
    kept = stock()
    proposal = (
        fuse_for(sheet.plan, row.label, kept)
        if wanted == "as_fitted"
        else next(
            (p for p in proposals_for(sheet.plan, row.label, kept) if p.metal == wanted), None
        )
    )
    if proposal is None or proposal.conductor is None:
        return answers.refused(
            request,
            number,
            "power",
            Refused(gettext("No size will do for this run: see its findings.")),
        )
    changes: dict[str, Any] = {
        "size": proposal.conductor.size,
        "metal": proposal.metal,
        "insulation_c": proposal.conductor.insulation_c,
        "fuse_rating_a": proposal.fuse.rating_a if proposal.fuse else None,
        "fuse_body": proposal.fuse.body if proposal.fuse else "",
        "fuse_distance_m": proposal.fuse.distance_m if proposal.fuse else None,
    }
    if (far := proposal.far_fuse) is not None:
        changes |= {
            "far_fuse_rating_a": far.rating_a,
            "far_fuse_body": far.body,
            "far_fuse_distance_m": far.distance_m,
        }
    try:
        event = service.take_proposal(
            number, pk, changes, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "power", refused)
    fresh = BaySheet.of(request, number, "power")
    row.refresh_from_db()
    fields = run_fields(fresh.shop, nodes_of(fresh.plan))
    html = run_html(fresh, row, fields, "path", oob=True)
    facts = {"run": row.label, "size": wording.size(row.size)}
    text = gettext("%(run)s: %(size)s put in the plan.") % facts
    return answers.done(request, number, "power", text, event=event, html=html)
