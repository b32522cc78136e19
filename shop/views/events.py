"""The shop's own log: who changed which record, when, from what to what; who came in, and what was
taken out."""

from typing import Any, Final

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from shop.access import allow
from shop.catalogue.export import CONTENT_TYPES, CSV
from shop.catalogue.spreadsheets import csv_bytes
from shop.http import Request
from shop.kept_words import told
from shop.models import Branch, ShopEvent, StaffMember
from shop.paging import page_of
from shop.reads.events import GROUPS, KINDS, Asked, entries_of, found, record_of, table_of
from shop.roles import Role
from shop.services import sign_in
from shop.typed import day, line, one_of, row_key
from shop.wording import grouped

SERVER = "server"
"""Asks for what nobody signed in has done."""

MOST_IN_A_FILE: Final = 20_000


def _asked(request: Request) -> Asked:
    """`record` ("customer:12"), `kind`, `by` (a person's key), `from` and `to` (days) and `part_of`
    (an event's key) narrow the log."""
    given = request.GET
    return Asked(
        record=line(given.get("record")),
        kind=one_of(given.get("kind"), [*GROUPS, *KINDS]),
        by=row_key(given.get("by")),
        by_server=given.get("by") == SERVER,
        first_day=day(given.get("from")),
        last_day=day(given.get("to")),
        part_of=row_key(given.get("part_of")),
    )


@allow(Role.MANAGER, password=True)
@require_safe
def shop_log(request: Request) -> HttpResponse:
    """The log, the newest first."""
    asked = _asked(request)
    page = page_of(request, found(asked))
    several = request.branches is not None
    kinds = [pair for pair in KINDS.items() if several or pair[1].model is not Branch]
    context: dict[str, Any] = {
        "asked": asked,
        "by": line(request.GET.get("by")),
        "kinds": [*GROUPS.items(), *((key, kind.name) for key, kind in kinds)],
        "staff": StaffMember.objects.order_by("name"),
        "server": SERVER,
        "page": page,
        "entries": entries_of(page),
        "filtered": any(asked),
    }
    if asked.record:
        context |= _about(asked.record)
    if asked.part_of:
        context["imported"] = ShopEvent.objects.filter(pk=asked.part_of).first()
    return render(request, "settings/log.html", context)


@allow(Role.MANAGER, password=True, again=True)
@require_safe
def shop_log_csv(request: Request) -> HttpResponse:
    """What the page shows, all pages of it, as one table."""
    events = list(found(_asked(request))[: MOST_IN_A_FILE + 1])
    if len(events) > MOST_IN_A_FILE:
        messages.error(
            request,
            gettext("That is more than %(most)s entries, too many for one file. Narrow it by days.")
            % {"most": grouped(str(MOST_IN_A_FILE))},
        )
        return redirect(f"{reverse('shop_log')}?{request.GET.urlencode()}")
    name = f"log-{timezone.localdate().isoformat()}.csv"
    sign_in.log_export(request, name)
    return HttpResponse(
        csv_bytes(table_of(events)),
        content_type=CONTENT_TYPES[CSV],
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _about(subject: str) -> dict[str, Any]:
    """The record that the log is asked about: its words, and its page while it is there."""
    record = record_of(subject)
    if record is None:
        return {"about": gettext("No such record")}
    kind, row = record
    name = told(kind.name)
    about = f"{name}: {row}" if row else gettext("%(name)s, removed") % {"name": name}
    url = reverse(kind.page, args=[row.pk]) if row and kind.page else ""
    return {"about": about, "about_url": url, "subject": subject}
