"""Panels taken off the car, with their clips, and put back."""

from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils.html import format_html
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.forms.bay.add import PanelForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import panel_fields
from jobs.models import Panel, PanelState
from jobs.services import panels as service
from jobs.services.saving import FieldClash
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.rows import cell_row
from shop.access import allow
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token

USUAL = (
    *("Door card, front left", "Door card, front right"),
    *("Door card, rear left", "Door card, rear right"),
    *("Sill trim, left", "Sill trim, right", "Dash trim", "Centre console", "Boot floor"),
    *("Boot trim, left", "Boot trim, right", "Seat, left", "Seat, right", "Parcel shelf"),
)
"""Panels that commonly come off; common practice, no source."""


def panel_html(
    sheet: BaySheet,
    panel: Panel,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    oob: bool = False,
) -> str:
    """A panel with its clips and whether it is back."""
    row = cell_row(panel, panel_fields(), cleaned, clashes or [], panel.name)
    context = {"sheet": sheet, "row": row, "panel": panel, "oob": oob}
    return render_to_string("bay/panel_row.html", context)


def panels_context(sheet: BaySheet, form: PanelForm | None = None) -> dict[str, Any]:
    """What the card of panels shows."""
    panels = list(sheet.job.panels.all())
    named = {panel.name for panel in panels}
    return {
        "panel_rows": [panel_html(sheet, panel) for panel in panels],
        "panels_off": sum(panel.state == PanelState.OFF for panel in panels),
        "panels_known": [name for name in USUAL if name not in named],
        "panel_form": form or PanelForm(),
    }


@allow(*BENCH)
@require_POST
def save(request: Request, number: int, pk: int) -> HttpResponse:
    """Save cells of a panel."""

    def draw(sheet: BaySheet, row: Panel, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return panel_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "fit",
        panel_fields(),
        partial(service.save_panel, number, pk),
        draw,
        lambda: Panel.objects.get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a panel off the list, with a way back."""
    panel = get_object_or_404(Panel, pk=pk, job__number=number)
    back = BaySheet.of(request, number, "fit").url("bay_fit") + "#panels"
    key = token(request.POST.get("key"))
    try:
        event = service.remove_panel(number, pk, actor=actor(request), key=key)
    except Refused as refused:
        return answers.refused(request, number, "fit", refused, to=back)
    gone = '<template><tr id="panel-{}" hx-swap-oob="delete"></tr></template>'
    row = format_html(gone, pk)
    text = gettext("%(panel)s is off the list.") % {"panel": panel}
    return answers.done(request, number, "fit", text, event=event, html=row, to=back)


@allow(*BENCH)
@require_POST
def refitted(request: Request, number: int) -> HttpResponse:
    """Every panel that is still off is back."""
    back = BaySheet.of(request, number, "fit").url("bay_fit") + "#panels"
    key = token(request.POST.get("key"))
    try:
        event = service.all_refitted(number, actor=actor(request), key=key)
    except Refused as refused:
        return answers.refused(request, number, "fit", refused, to=back)
    sheet = BaySheet.of(request, number, "fit")
    rows = "".join(panel_html(sheet, one, oob=True) for one in sheet.job.panels.all())
    text = gettext("Every panel is refitted.")
    html = f"<template>{rows}</template>"
    return answers.done(request, number, "fit", text, event=event, html=html, to=back)
