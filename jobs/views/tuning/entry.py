"""The entry list: settings in the order they are typed, ticked, read back, and stored."""

import json
from functools import partial
from typing import Any

from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.cells import Cleaned
from jobs.forms.tuning.entry import StateForm, choices_of, entry_fields
from jobs.models import Job, JobPart
from jobs.plan.entered import (
    CELL_NAMES,
    CELL_WORDS,
    Entry,
    EntryList,
    lists_of,
    name_of,
    said,
    unit_of,
)
from jobs.plan.limits import rounded_settings
from jobs.services.saving import FieldClash
from jobs.services.tuning import beyond, entered as service
from jobs.services.tuning.settings import put_settings
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import channel_keys, what_it_feeds
from jobs.views.bay.places import entry_anchor
from jobs.views.tuning.common import show
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.kept_words import told
from shop.known_device import device_of
from shop.roles import BENCH
from shop.typed import json_value, one_of, token

READ = "read"
_PEOPLE = ("product", "state_by", "beyond_by")
ORDERS = ("channel", "setting")


def _doing(data: Any) -> str:
    """What the page is for: "" to type and tick, READ to read back."""
    return one_of(data.get("do"), (READ,))


def _order(data: Any) -> str:
    return one_of(data.get("by"), ORDERS)


def _lists(sheet: BaySheet, order: str = "") -> list[EntryList]:
    return lists_of(sheet.plan, service.rows_of(sheet.job), order)


@allow_any_staff
@require_safe
def entry(request: Request, number: int) -> HttpResponse:
    """Every processor's list, to type from or to read back against."""
    sheet = BaySheet.of(request, number, "tuning")
    return _page(request, sheet)


def _page(
    request: Request,
    sheet: BaySheet,
    state: tuple[int, StateForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    doing, order = _doing(request.GET), _order(request.GET)
    parts = {part.label: part for part in sheet.job.parts.select_related(*_PEOPLE)}
    lists = [
        _shown(sheet, parts[one.device.id], one, (doing, order), state)
        for one in _lists(sheet, order)
    ]
    return show(
        request,
        sheet,
        "entry",
        "tuning/entry.html",
        status=status,
        lists=lists,
        doing=doing,
        order=order,
        rounded=len(rounded_settings(sheet.plan)),
        parts_url=sheet.url("job_parts"),
    )


def _shown(
    sheet: BaySheet,
    part: JobPart,
    one: EntryList,
    page: tuple[str, str],
    state: tuple[int, StateForm] | None,
) -> dict[str, Any]:
    keys = channel_keys(sheet)
    form = StateForm(instance=part, prefix=part.label)
    if state is not None and state[0] == part.pk:
        form = state[1]
    return {
        "part": part,
        "list": one,
        "groups": [
            {
                "title": _title(sheet, one, name, entries),
                "channel": name if one.typed_by == "channel" else "",
                "seen": service.seen(entries),
                "open": any(not entry.proved for entry in entries),
                "rows": [entry_html(sheet, keys, one, entry, page) for entry in entries],
            }
            for name, entries in one.groups
        ],
        "seen": service.seen(one.entries),
        "progress": progress_html(one),
        "form": form,
        "late": service.stored_before_last_tick(part) if part.state_by_id else False,
    }


def _title(sheet: BaySheet, one: EntryList, name: str, entries: list[Entry]) -> tuple[str, str]:
    """What a group is called: a channel with what it plays, or a setting."""
    if one.typed_by == "channel":
        return name, what_it_feeds(sheet.plan, name)
    return "", "Equaliser" if name == "eq" else name_of(entries[0].line)


def entry_html(
    sheet: BaySheet,
    keys: dict[str, int],
    one: EntryList,
    entry: Entry,
    page: tuple[str, str],
    cleaned: Cleaned | None = None,
    oob: bool = False,
) -> str:
    """One line of a list; `page` says what it is read for, and in which order."""
    line = entry.line
    doing, order = page
    errors = cleaned.errors if cleaned else {}
    shown = entry.shown if len(entry.shown) == len(line.cells) else line.texts
    cells = [
        {
            "cell": cell,
            "name": f"f{place}",
            "unit": "dB/oct" if cell.kind == "slope" else unit_of(cell),
            "words": told(CELL_WORDS[cell.text]) if choices_of(cell) else cell.text,
            "called": CELL_NAMES[cell.name],
            "shown": cleaned.typed.get(f"f{place}", shown[place]) if cleaned else shown[place],
            "differs": place in entry.differs,
            "choices": choices_of(cell),
            "error": errors.get(f"f{place}", ""),
        }
        for place, cell in enumerate(line.cells)
    ]
    context = {
        "sheet": sheet,
        "entry": entry,
        "line": line,
        "anchor": entry_anchor(f"{line.channel_id}-{line.what}"),
        "channel_pk": keys[line.channel_id],
        "name": name_of(line),
        "by_channel": one.typed_by == "channel",
        "cells": cells,
        "wanted": json.dumps(list(line.texts)),
        "told": said(line.cells, line.texts, told),
        "was": said(line.cells, entry.typed, told),
        "program_shows": said(line.cells, entry.shown, told),
        "doing": doing,
        "order": order,
        "errors": errors,
        "oob": oob,
    }
    return render_to_string("tuning/entry_row.html", context)


def progress_html(one: EntryList, oob: bool = False) -> str:
    """How far a list is typed and read back."""
    return render_to_string("tuning/entry_progress.html", {"list": one, "oob": oob})


def _line(
    lists: list[EntryList], keys: dict[str, int], channel_pk: int, what: str
) -> tuple[EntryList, Entry]:
    """A line by its channel's key and setting. Raises Http404 when it is no longer there."""
    for one in lists:
        for entry in one.entries:
            if keys[entry.line.channel_id] == channel_pk and entry.line.what == what:
                return one, entry
    raise Http404(gettext("That setting is no longer there: load the list again."))


def _texts(text: str) -> Any:
    """The cells of a line as its row had them, None for what is none."""
    try:
        return json_value(text)
    except ValueError:
        return None


@allow(*BENCH)
@require_POST
def save_entry(request: Request, number: int, pk: int, what: str) -> HttpResponse:
    """Tick a line, or say what the program shows."""
    doing, order = _doing(request.GET), _order(request.GET)
    wanted = _texts(request.POST.get("wanted", ""))
    try:
        # The settings stand still while the job is locked: what is read once is drawn too.
        with transaction.atomic():
            held = service.held(number, request.shop)
            keys = channel_keys(BaySheet.holding(request, held.job))
            known = _line(lists_of(held.plan, held.rows), keys, pk, what)[1]
            put = answers.put_cells(
                request,
                entry_fields(known.line),
                partial(service.save_entry, number, pk, what, wanted=wanted, held=held),
                lambda: known.row,
            )
    except Refused as refused:
        return HttpResponse(answers.said_html(" ".join(refused.reasons), "stop"), status=403)
    except Job.DoesNotExist:
        raise Http404 from None

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        sheet.plan = held.plan
        rows = {**held.rows, (known.line.channel_id, what): row}
        one, found = _line(lists_of(held.plan, rows, order), keys, pk, what)
        html = entry_html(sheet, keys, one, found, (doing, order), cleaned)
        return html + progress_html(one, oob=True)

    return answers.drawn(request, number, "tuning", put, draw)


def _redrawn(sheet: BaySheet, page: tuple[str, str], label: str = "") -> str:
    """Every line and the progress of one part's list, or of all, to put in place of what stands."""
    keys = channel_keys(sheet)
    lists = _lists(sheet, page[1])
    return "".join(
        entry_html(sheet, keys, one, entry, page, oob=True)
        for one in lists
        if label in ("", one.device.id)
        for entry in one.entries
    ) + "".join(progress_html(one, oob=True) for one in lists)


@allow(*BENCH)
@require_POST
def enter_all(request: Request, number: int, pk: int, how: str) -> HttpResponse:
    """One tap for a whole list, or for one channel of it: read the same, or loaded from a file."""
    codes = {"same": service.SAME, "loaded": service.LOADED}
    if how not in codes:
        raise Http404(gettext("There is no such tap."))
    part = get_object_or_404(JobPart, pk=pk, job__number=number)
    sheet = BaySheet.of(request, number, "tuning")
    doing, order = _doing(request.GET), _order(request.GET)
    to = f"{sheet.url('bay_entry')}?do={doing}&by={order}"
    try:
        event = service.enter_all(
            number,
            pk,
            codes[how],
            shown=request.POST.get("shown", ""),
            actor=actor(request),
            channel_id=request.POST.get("channel", "")[:40],
            key=token(request.POST.get("key")),
            shop=request.shop,
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    sheet = BaySheet.of(request, number, "tuning")
    html = _redrawn(sheet, (doing, order), part.label)
    count, about = event.after["count"], event.after["part"]
    if how == "same":
        text = gettext("%(count)s lines of %(about)s read: the program shows what is set.")
        if "beyond" in event.after:
            text += " " + gettext("Nothing else is set in it.")
            html += _beyond_html(request, sheet, part, (doing, order))
    else:
        text = gettext("%(count)s lines of %(about)s entered with the file that was loaded.")
    text %= {"count": count, "about": about}
    return answers.done(request, number, "tuning", text, event=event, html=html, to=to)


def _beyond_html(request: Request, sheet: BaySheet, part: JobPart, page: tuple[str, str]) -> str:
    """What is said to be set beyond a list, to put in place of what stands."""
    part = JobPart.objects.select_related("beyond_by").get(pk=part.pk)
    one = {"part": part}
    context = {"sheet": sheet, "one": one, "doing": page[0], "order": page[1], "oob": True}
    return render_to_string("tuning/entry_beyond.html", context, request)


@allow(*BENCH)
@require_POST
def say_beyond(request: Request, number: int, pk: int) -> HttpResponse:
    """Say what else a program shows set, or that there is nothing."""
    part = get_object_or_404(JobPart, pk=pk, job__number=number)
    page = _doing(request.GET), _order(request.GET)
    to = f"{BaySheet.of(request, number, 'tuning').url('bay_entry')}?do=read&by={page[1]}"
    text = "" if "nothing" in request.POST else request.POST.get("beyond", "").strip()
    try:
        if not text and "nothing" not in request.POST:
            raise Refused(gettext("Write what else is set, or tap that there is nothing."))
        event = beyond.say_beyond(
            number,
            pk,
            text,
            was=request.POST.get("was", "") if request.POST.get("said") else None,
            actor=actor(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    if text:
        told_of = gettext("%(part)s: what else is set is noted, and a finding.")
    else:
        told_of = gettext("%(part)s: nothing else is set.")
    html = _beyond_html(request, BaySheet.of(request, number, "tuning"), part, page)
    said_now = told_of % {"part": part.label}
    return answers.done(request, number, "tuning", said_now, event=event, html=html, to=to)


@allow(*BENCH)
@require_POST
def store(request: Request, number: int, pk: int) -> HttpResponse:
    """Note under which name a processor keeps the state."""
    part = get_object_or_404(JobPart.objects.select_related("product"), pk=pk, job__number=number)
    sheet = BaySheet.of(request, number, "tuning")
    form = StateForm(request.POST, instance=part, prefix=part.label)
    if form.is_valid():
        try:
            service.store_state(
                number,
                pk,
                form.cleaned_data["state_name"].strip(),
                form.cleaned_data["state_slot"].strip(),
                device=_device(request),
                actor=actor(request),
                version=answers.version_of(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("state_name", " ".join(refused.reasons))
        else:
            return answers.reload(request, f"{sheet.url('bay_entry')}#stored-{part.label}")
    return _page(request, sheet, (pk, form), 422)


def _device(request: Request) -> str:
    """From which device: a tablet of the shop by its name, another by the mark it is known by."""
    if request.tablet is not None:
        return str(request.tablet)
    mark = device_of(request, actor(request).pk)
    return f"device {mark[:6]}" if mark else ""


@allow(*BENCH)
@require_POST
def round_settings(request: Request, number: int) -> HttpResponse:
    """Set the nearest that can be typed, wherever a figure cannot: one change, to be undone."""
    sheet = BaySheet.of(request, number, "tuning")
    to = sheet.url("bay_entry")
    try:
        event = put_settings(
            number,
            rounded_settings(sheet.plan),
            code="settings.rounded",
            actor=actor(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    text = gettext("Set as they can be typed: %(channels)s.") % {
        "channels": event.after["channels"]
    }
    page = _doing(request.GET), _order(request.GET)
    html = _redrawn(BaySheet.of(request, number, "tuning"), page)
    html += '<div id="entry-round" hx-swap-oob="true"></div>'
    return answers.done(request, number, "tuning", text, event=event, html=html, to=to)
