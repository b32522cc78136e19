"""Plugs that are written down already, offered beside the wires of a job."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from jobs.errors import Refused
from jobs.models import Channel, Job
from jobs.plan.plug_face import face, pairs, wire_of
from jobs.services import channels as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.channel_rows import wires_html
from shop.access import allow
from shop.http import Request
from shop.models import PlugCavity, PlugTable, Product
from shop.models.products import SOURCE_KINDS
from shop.roles import BENCH
from shop.typed import row_key, row_version, token


def _owners(job: Job) -> tuple[list[Product], list[tuple[str, str]]]:
    """The products of the job that have plugs, and where the plugs of each owner stand."""
    parts = job.parts.select_related("product").filter(product__kind__in=SOURCE_KINDS)
    products = list({part.product_id: part.product for part in parts}.values())
    model = job.vehicle.vehicle_model
    owners = [(str(model), reverse("model_plugs", args=[model.pk]))]
    owners += [(str(one), reverse("product_plugs", args=[one.pk])) for one in products]
    return products, owners


def _dialog(request: Request, sheet: BaySheet, channel: Channel) -> HttpResponse:
    products, owners = _owners(sheet.job)
    tables = PlugTable.objects.filter(
        vehicle_model_id=sheet.job.vehicle.vehicle_model_id
    ) | PlugTable.objects.filter(product__in=products)
    plugs = []
    used = (channel.positive_cavity, channel.negative_cavity)
    for table in tables.select_related("vehicle_model", "product").prefetch_related("cavities"):
        cavities = list(table.cavities.all())
        chosen = used if table.name == channel.connector else ()
        plugs.append(
            {
                "table": table,
                "cavities": cavities,
                "pairs": pairs(cavities),
                "face": face(table, cavities, chosen),
            }
        )
    context: dict[str, Any] = {"channel": channel, "plugs": plugs, "owners": owners, "sheet": sheet}
    return answers.dialog(request, sheet, "bay/plugs.html", context)


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def plug(request: Request, number: int, pk: int) -> HttpResponse:
    """The plugs to choose from; two cavities posted become the channel's wire."""
    sheet = BaySheet.of(request, number, "channels")
    channels = Channel.objects.select_related("part")
    channel = get_object_or_404(channels, pk=pk, job=sheet.job)
    if request.method != "POST":
        return _dialog(request, sheet, channel)
    wanted = [row_key(request.POST.get(name)) or 0 for name in ("plus", "minus")]
    known = PlugCavity.objects.select_related("table").in_bulk(wanted)
    plus, minus = (known.get(one) for one in wanted)
    back = f"{sheet.url('bay_channels')}?show=wires"
    if plus is None or minus is None or plus.table_id != minus.table_id or plus == minus:
        why = Refused(gettext("Choose two pins of one plug."))
        return answers.refused(request, number, "channels", why, to=back)
    try:
        saved = service.take_plug(
            number,
            pk,
            wire_of(plus.table, plus, minus),
            actor=sheet.user,
            version=row_version(request.POST.get("version")),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, "channels", refused, to=back)
    if saved.clashes:
        why = Refused(
            gettext("Somebody wrote the wire of %(channel)s meanwhile: look at it again first.")
            % {"channel": channel}
        )
        return answers.refused(request, number, "channels", why, to=back)
    fresh = BaySheet.of(request, number, "channels")
    html = ""
    if request.htmx:
        html = f"<template>{wires_html(fresh, saved.row, oob=True)}</template>"
    text = gettext("%(channel)s: %(plug)s, pins %(plus)s and %(minus)s. Prove it here.") % {
        "channel": saved.row,
        "plug": plus.table,
        "plus": plus.cavity,
        "minus": minus.cavity,
    }
    event = service.plug_event(saved.row) if saved.changed else None
    return answers.done(request, number, "channels", text, event=event, html=html, to=back)
