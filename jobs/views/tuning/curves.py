"""Curves of the settings: asked for when a page is open, and again after each save."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from jobs.models import TuningKind, TuningRecord
from jobs.plan import tuning as sums
from jobs.plan.tuning import QUANTITIES, SHOWN, Quantity, Shown
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.channel_rows import what_it_feeds
from jobs.views.tuning.common import before_plan, plan_of_record
from shop.access import allow_any_staff
from shop.http import Request
from shop.kept_words import told
from shop.typed import row_key
from shop.wording import inner


def choices(
    sheet: BaySheet, first: TuningRecord | None = None, second: TuningRecord | None = None
) -> dict[str, Any]:
    """What can be shown: quantity, which sums, which channels, and the records compared."""
    driving = [one for one in sheet.plan.channels if one.speakers]
    return {
        "quantities": QUANTITIES.items(),
        "shown": SHOWN.items(),
        "driving": [(one.id, what_it_feeds(sheet.plan, one.id)) for one in driving],
        "first": first,
        "second": second,
    }


def _record(sheet: BaySheet, text: str) -> TuningRecord | None:
    return sheet.job.tuning_records.filter(pk=row_key(text) or 0).first()


@allow_any_staff
@require_safe
def curves(request: Request, number: int) -> HttpResponse:
    """The curves asked for: of the present settings against those found, or of two records."""
    sheet = BaySheet.of(request, number, "tuning")
    asked = request.GET
    quantity: Quantity = next((q for q in QUANTITIES if q == asked.get("quantity")), "magnitude")
    shown: Shown = next((one for one in SHOWN if one == asked.get("shown")), "channels")
    first, second = (_record(sheet, request.GET.get(name, "")) for name in ("first", "second"))
    after = plan_of_record(sheet, second) if second is not None else None
    before = plan_of_record(sheet, first) if second is not None else before_plan(sheet)
    plan = after if after is not None else sheet.plan
    picked = request.GET.getlist("channel") if "picked" in request.GET else None
    ident = "compared" if second is not None else "curves"
    context = {
        "sheet": sheet,
        "out": f"{ident}-read" if request.htmx else "",
        "plot": sums.curves(
            plan,
            before,
            shown,
            quantity,
            ident,
            picked if shown == "channels" else None,
        )
        if picked != [] or shown != "channels"
        else "",
        "label": f"{told(QUANTITIES[quantity])}, {inner(told(SHOWN[shown]))}",
        "assumed": sums.assumed(plan),
        "none_picked": picked == [] and shown == "channels",
        "names": (
            first.name if first and second else TuningKind.BEFORE.label,
            second.name if second else TuningKind.AFTER.label,
        ),
        "has_before": before is not None,
    }
    if request.htmx:
        return render(request, "tuning/curves_shown.html", context)
    body = "tuning/curves_shown.html"
    return answers.page(request, sheet, "bay/dialog_page.html", body=body, **context)
