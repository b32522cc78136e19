"""Saves of what a tuning takes for granted: one cell at a time, from whichever page shows it."""

from functools import partial
from typing import Any

from django.http import Http404, HttpResponse
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.forms.bay.cells import Cleaned
from jobs.forms.tuning.cells import facts_fields
from jobs.services.saving import FieldClash
from jobs.services.tuning import facts as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.rows import cell_row
from shop.access import allow
from shop.http import Request
from shop.roles import BENCH

GROUPS = {
    "air": ("air_c",),
    "tone": ("overlap_db", "tone_dbfs"),
    "aim": ("target", "smoothing"),
}
"""Which facts stand together, by the name of the group in the address."""


def facts_html(
    sheet: BaySheet,
    group: str,
    row: Any = None,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One group of facts as fields that save themselves."""
    fields = facts_fields(GROUPS[group])
    facts = row if row is not None else service.facts_of(sheet.job)
    cells = cell_row(facts, fields, cleaned, clashes or [], "Tuning")
    context = {"sheet": sheet, "row": cells, "group": group, "names": GROUPS[group]}
    return render_to_string("tuning/facts.html", context)


@allow(*BENCH)
@require_POST
def save_facts(request: Request, number: int, group: str) -> HttpResponse:
    """Save the facts of one group."""

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return facts_html(sheet, group, row, cleaned, clashes)

    def read() -> Any:
        return service.facts_of(BaySheet.of(request, number).job)

    if group not in GROUPS:
        raise Http404(gettext("A tuning takes nothing of that kind for granted."))
    fields = facts_fields(GROUPS[group])
    return answers.save_cells(
        request, number, "tuning", fields, partial(service.save_facts, number), draw, read
    )
