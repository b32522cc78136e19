"""Rows and pictures of the power plan."""

from typing import Any

from django.template.loader import render_to_string
from django.utils.html import format_html

from jobs.forms.bay.cells import Cleaned, Fields
from jobs.forms.bay.fields import supply_fields
from jobs.models import PowerRun, SupplyFacts
from jobs.plan.power import FACTORY_FEED, battery_figure, severities, supply_figures
from jobs.plan.power_drawing import power_path
from jobs.services.saving import FieldClash
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.places import anchor
from jobs.views.bay.rows import cell_row
from shop.units import long_unit


def run_figures_html(sheet: BaySheet, label: str, pk: int, oob: bool = False) -> str:
    """Current, loss and allowed current of a run on one button, which opens the sums."""
    state = sheet.solution.runs.get(label) if sheet.solution else None
    return render_to_string(
        "bay/run_figures.html",
        {
            "label": label,
            "url": sheet.url("bay_run", pk),
            "state": state,
            "current_a": abs(state.current_a) if state else None,
            "drop_v": abs(state.drop_v) if state else None,
            "count": sheet.mark(label),
            "oob": oob,
        },
    )


def run_html(
    sheet: BaySheet,
    run: PowerRun,
    fields: Fields,
    show: str,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    *,
    oob: bool = False,
) -> str:
    """One run as a row: its path and fuse, or its cable."""
    return render_to_string(
        "bay/run_row.html",
        {
            "sheet": sheet,
            "run": run,
            "row": cell_row(run, fields, cleaned, clashes or [], run.label),
            "anchor": anchor(run.label),
            "show": show,
            "feed": run.kind == PowerRun.Kind.FEED,
            "figures": run_figures_html(sheet, run.label, run.pk),
            "between": run.label in sheet.between_sources or run.far_fuse_rating_a is not None,
            "oob": oob,
        },
    )


def supply_html(
    sheet: BaySheet,
    facts: SupplyFacts,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """Battery and alternator as cells."""
    row = cell_row(facts, supply_fields(), cleaned, clashes or [], "supply")
    wrong = set(row.errors)
    fed = any(run.from_node == FACTORY_FEED for run in sheet.plan.runs)
    told = facts.factory_feed_fuse_a is not None or facts.factory_feed_limit_a is not None
    context = {
        "sheet": sheet,
        "row": row,
        "facts": facts,
        "factory_feed": fed
        or told
        or bool(wrong & {"factory_feed_fuse_a", "factory_feed_limit_a"}),
        "more": facts.system_v != 12
        or facts.reserve_min is not None
        or bool(wrong & {"system_v", "reserve_min"}),
    }
    return render_to_string("bay/supply.html", context)


def supply_report_html(sheet: BaySheet, oob: bool = False) -> str:
    """Charging balance, charge and days parked, each opening to its sum."""
    context = {"figures": supply_figures(sheet.plan), "oob": oob}
    return render_to_string("bay/supply_report.html", context)


def draws_html(sheet: BaySheet, oob: bool = False) -> str:
    """What each device draws and gets, one a row; each opens to its sums."""
    draws = sheet.draws
    return render_to_string(
        "bay/draws.html",
        {
            "number": sheet.number,
            "draws": draws,
            "supply_v": sheet.plan.supply.charging_v,
            "total": {
                "full_a": sum(one.full_a for one in draws),
                "music_a": sum(one.music_a for one in draws),
                "idle_a": sum(one.idle_a for one in draws),
                "power_w": sum(one.power_w or 0.0 for one in draws),
            },
            "solution": sheet.solution,
            "battery": [battery_figure(sheet.solution)] if sheet.solution else [],
            "oob": oob,
        },
    )


def diagram_svg(sheet: BaySheet) -> str:
    """The one-line diagram with voltages, currents and marks, for a wide and a narrow page."""
    unit, marks = long_unit(sheet.shop), severities(sheet.open_findings)

    def drawn(upright: bool) -> str:
        return power_path(sheet.plan, sheet.solution, unit=unit, marks=marks, upright=upright)

    return format_html("{}{}", drawn(False), drawn(True))


def diagram_again_html(sheet: BaySheet) -> str:
    """Has the page fetch the diagram again, out of band, for it is larger than the edit."""
    return format_html(
        '<div id="diagram-again" hx-swap-oob="true" hx-get="{}" hx-trigger="load delay:200ms" '
        'hx-target="#diagram" hx-swap="innerHTML"></div>',
        sheet.url("bay_power_diagram"),
    )


def suggested_run(sheet: BaySheet) -> dict[str, Any]:
    """The run most likely to be added next: a feed to what has none, then a return from it."""
    plan = sheet.plan
    fed = {run.to_node for run in plan.runs if run.kind == "feed"}
    returned = {run.from_node for run in plan.runs if run.kind == "return"}
    powered = [device.id for device in plan.devices if device.kind in {"amplifier", "processor"}]
    points = [run.to_node for run in plan.runs if run.kind == "feed" and run.to_node not in powered]
    unfed = [name for name in powered if name not in fed]
    if not plan.runs and len(powered) > 1:
        return {"kind": "feed", "from_node": "battery", "to_node": "Distribution 1"}
    if unfed:
        source = points[-1] if points else "battery"
        return {"kind": "feed", "from_node": source, "to_node": unfed[0]}
    bare = [name for name in powered if name not in returned]
    if bare:
        return {"kind": "return", "from_node": bare[0], "to_node": "body"}
    return {"kind": "feed", "from_node": "battery"}
