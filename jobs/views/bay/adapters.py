"""Adapter leads beside the wires: pin of one plug to pin of the other."""

from collections.abc import Callable
from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils.html import format_html
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.forms.bay.adapters import AdapterForm, PinsForm, adapter_fields
from jobs.forms.bay.cells import Cleaned
from jobs.models import AdapterLead, AdapterWire, Job, JobEvent
from jobs.services import adapters as service
from jobs.services.saving import FieldClash
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.rows import cell_row
from shop.access import allow
from shop.http import Request
from shop.models import PlugTable
from shop.roles import BENCH
from shop.typed import token


def adapter_html(
    sheet: BaySheet,
    wire: AdapterWire,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One wire of a lead, its pin at this end as its name."""
    row = cell_row(wire, adapter_fields(), cleaned, clashes or [], str(wire))
    return render_to_string("bay/adapter_row.html", {"sheet": sheet, "row": row, "wire": wire})


def adapters_context(
    sheet: BaySheet, form: AdapterForm | None = None, pins: tuple[int, PinsForm] | None = None
) -> dict[str, Any]:
    """What the card of leads shows; `pins` is the form that was refused, by the key of its lead."""
    leads = sheet.job.adapters.prefetch_related("wires__adapter")
    refused, bound = pins or (0, PinsForm())
    return {
        "adapter_form": form or AdapterForm(auto_id="adapter-%s"),
        "adapters": [
            (
                lead,
                [adapter_html(sheet, wire) for wire in lead.wires.all()],
                bound if lead.pk == refused else PinsForm(auto_id=f"pins-{lead.pk}-%s"),
            )
            for lead in leads
        ],
        "ends_known": _ends(sheet.job),
    }


def _ends(job: Job) -> list[str]:
    """Plugs written down of the model and of the job's parts."""
    products = job.parts.values_list("product", flat=True)
    model = job.vehicle.vehicle_model_id
    tables = PlugTable.objects.filter(vehicle_model=model)
    tables |= PlugTable.objects.filter(product__in=products)
    return list(dict.fromkeys(tables.values_list("name", flat=True)))


def back_to(sheet: BaySheet) -> str:
    return f"{sheet.url('bay_channels')}?show=wires#adapters"


@allow(*BENCH)
@require_POST
def save_wire(request: Request, number: int, pk: int) -> HttpResponse:
    """Save cells of one wire of a lead."""

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return adapter_html(sheet, row, cleaned, clashes)

    rows = AdapterWire.objects.select_related("adapter")
    return answers.save_cells(
        request,
        number,
        "channels",
        adapter_fields(),
        partial(service.save_wire, number, pk),
        draw,
        lambda: rows.get(pk=pk, adapter__job__number=number),
    )


Remove = Callable[..., JobEvent]


def _remove(
    request: Request, number: int, pk: int, take_out: Remove, name: str, gone: str
) -> HttpResponse:
    back = back_to(BaySheet.of(request, number, "channels"))
    key = token(request.POST.get("key"))
    try:
        event = take_out(number, pk, actor=actor(request), key=key)
    except Refused as refused:
        return answers.refused(request, number, "channels", refused, to=back)
    text = gettext("%(name)s is taken out.") % {"name": name}
    return answers.done(request, number, "channels", text, event=event, html=gone, to=back)


@allow(*BENCH)
@require_POST
def remove_wire(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a wire out of its lead, with a way back."""
    rows = AdapterWire.objects.select_related("adapter")
    wire = get_object_or_404(rows, pk=pk, adapter__job__number=number)
    gone = '<template><tr id="adapter-wire-{}" hx-swap-oob="delete"></tr></template>'
    html = format_html(gone, pk)
    return _remove(request, number, pk, service.remove_wire, str(wire), html)


@allow(*BENCH)
@require_POST
def remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a lead out with its wires, with a way back."""
    lead = get_object_or_404(AdapterLead, pk=pk, job__number=number)
    html = format_html('<div id="adapter-{}" hx-swap-oob="delete"></div>', pk)
    return _remove(request, number, pk, service.remove_adapter, str(lead), html)
