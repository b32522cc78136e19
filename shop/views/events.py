"""The shop's own log: who changed which record, when, from what to what."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from shop.access import allow
from shop.http import Request
from shop.models import ShopEvent, StaffMember
from shop.paging import page_of
from shop.reads.events import AT_THE_DOOR, KINDS, entries_of, record_of
from shop.roles import Role
from shop.typed import line, one_of, row_key

SERVER = "server"
"""Asks for what nobody signed in has done."""

DOOR = "door"
"""Asks for sign-ins, failed ones and waits."""


@allow(Role.MANAGER, password=True)
@require_safe
def shop_log(request: Request) -> HttpResponse:
    """The log, the newest first; `record` ("customer:12"), `kind`, `by` (a person's key) and
    `part_of` (an event's key) narrow it."""
    events = ShopEvent.objects.select_related("actor")
    context: dict[str, Any] = {
        "kind": one_of(request.GET.get("kind"), [DOOR, *KINDS]),
        "by": line(request.GET.get("by")),
        "kinds": [
            (DOOR, "Sign-ins and exports"),
            *((key, kind.name) for key, kind in KINDS.items()),
        ],
        "staff": StaffMember.objects.order_by("name"),
        "server": SERVER,
    }
    if subject := line(request.GET.get("record")):
        events = events.filter(subject=subject)
        context |= _about(subject)
    if context["kind"] == DOOR:
        events = events.filter(code__in=AT_THE_DOOR)
    elif context["kind"]:
        events = events.filter(subject__startswith=f"{context['kind']}:")
    if context["by"] == SERVER:
        events = events.filter(actor=None).exclude(code__in=AT_THE_DOOR)
    elif by := row_key(context["by"]):
        events = events.filter(actor_id=by)
    if whole := row_key(request.GET.get("part_of")):
        events = events.filter(part_of_id=whole)
        context["imported"] = ShopEvent.objects.filter(pk=whole).first()
    page = page_of(request, events)
    context |= {
        "page": page,
        "entries": entries_of(page),
        "filtered": bool(subject or context["kind"] or context["by"] or whole),
    }
    return render(request, "settings/log.html", context)


def _about(subject: str) -> dict[str, Any]:
    """The record that the log is asked about: its words, and its page while it is there."""
    record = record_of(subject)
    if record is None:
        return {"about": "No such record"}
    kind, row = record
    about = f"{kind.name}: {row}" if row else f"{kind.name}, removed"
    url = reverse(kind.page, args=[row.pk]) if row and kind.page else ""
    return {"about": about, "about_url": url, "subject": subject}
