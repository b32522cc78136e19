"""Many wires at once: a block pasted into the grid, one cell filled down."""

from collections.abc import Iterable, Sequence

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST

from jobs.errors import Refused
from jobs.forms.bay.wires import FillForm, Row, WiresPasteForm
from jobs.models import JobEvent
from jobs.services import wires as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import what_it_feeds, wires_html
from jobs.views.bay.channels import channels_of, plugs_known
from shop.access import allow
from shop.http import Request
from shop.roles import BENCH
from shop.typed import row_key, row_keys, row_version, token


def _rows(sheet: BaySheet) -> list[Row]:
    return [Row(one, what_it_feeds(sheet.plan, one.plan_id)) for one in channels_of(sheet.job)]


def _versions(request: Request) -> dict[int, int]:
    """The versions of the rows on the page that asks, as `row-<key>`."""
    return {
        key: row_version(request.POST.get(name))
        for name in request.POST
        if name.startswith("row-") and (key := row_key(name.removeprefix("row-")))
    }


def _back(sheet: BaySheet) -> str:
    return f"{sheet.url('bay_channels')}?show=wires"


def _done(request: Request, number: int, event: JobEvent, more: Iterable[str] = ()) -> HttpResponse:
    """The rows that were written, and the way back."""
    sheet = BaySheet.of(request, number, "channels")
    html = ""
    if request.htmx:
        wrote = set(row_keys(event.after["wires"]))
        rows = [row for row in channels_of(sheet.job) if row.pk in wrote]
        drawn = "".join(wires_html(sheet, row, oob=True) for row in rows)
        html = f"<template>{drawn}</template>"
    text = " ".join([f"Wires written: {event.after['channels']}.", *more])
    return answers.done(request, number, "channels", text, event=event, html=html, to=_back(sheet))


def _dialog(
    request: Request,
    sheet: BaySheet,
    form: WiresPasteForm,
    rows: Sequence[Row],
    why: Refused | None = None,
) -> HttpResponse:
    context = {
        "form": form,
        "channels": [(row.channel.pk, row.channel.version) for row in rows],
        "plugs_known": plugs_known(sheet.job),
        "reasons": why.reasons if why else [],
    }
    status = 422 if form.errors or why else 200
    return answers.dialog(request, sheet, "bay/wires_paste.html", context, status)


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def paste(request: Request, number: int) -> HttpResponse:
    """A block of lines written into the grid, or told what is wrong with each, as it was typed."""
    sheet = BaySheet.of(request, number, "channels")
    rows = _rows(sheet)
    if request.method != "POST":
        return _dialog(request, sheet, WiresPasteForm(rows=rows), rows)
    form = WiresPasteForm(request.POST, rows=rows)
    if not form.is_valid():
        return _dialog(request, sheet, form, rows)
    try:
        event = service.write_wires(
            number,
            form.block.cells,
            actor=actor(request),
            versions=_versions(request),
            key=token(request.POST.get("key")),
        )
    except Refused as why:
        fresh = BaySheet.of(request, number, "channels")
        return _dialog(request, fresh, form, _rows(fresh), why)
    left = form.block.left
    more = ["Prove them here."]
    if left:
        more.append(f"No speaker wire, left out: {', '.join(left)}.")
    return _done(request, number, event, more)


@allow(*BENCH)
@require_POST
def fill(request: Request, number: int) -> HttpResponse:
    """One cell written into the empty ones below it on the same device."""
    sheet = BaySheet.of(request, number, "channels")
    form = FillForm(request.POST)
    try:
        if not form.is_valid():
            raise Refused(gettext("Tap the cell to fill down first: a plug, a colour or a note."))
        try:
            value = form.cell
        except ValidationError as error:
            raise Refused(" ".join(error.messages)) from None
        event = service.fill_down(
            number,
            form.cleaned_data["at"],
            form.cleaned_data["column"],
            value,
            actor=actor(request),
            key=token(request.POST.get("key")),
        )
    except Refused as why:
        return answers.refused(request, number, "channels", why, to=_back(sheet))
    return _done(request, number, event)
