"""The shop's own log in words: what happened to which record, each field from and to."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any, Final, NamedTuple
from urllib.parse import urlencode

from django.db import models
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop as kept

from shop.catalogue.columns import rating_label, rating_of
from shop.catalogue.spreadsheets import Cell
from shop.change_words import field_of, is_nothing, label_of, value_of, with_unit
from shop.kept_words import told
from shop.models import (
    ApiToken,
    Bay,
    Branch,
    Customer,
    LabelSheet,
    PlugTable,
    Product,
    Shop,
    ShopEvent,
    StaffMember,
    Tablet,
    Vehicle,
    VehicleModel,
)
from shop.services import api_tokens, restored, second_factor, sign_in
from shop.services.events import SECRET, SET, TAKEN_AWAY, subject_of
from shop.wording import capital

MOST_SEEN: Final = 6
"""So many changed fields of one event stand open; the rest is one tap away."""


class Kind(NamedTuple):
    """A kind of record in the log: what it is called, and the page of one, where it has one."""

    model: type[models.Model]
    name: str
    page: str = ""


KINDS: Final[dict[str, Kind]] = {}
"""By the name of the kind in an event's subject."""

TITLES: Final[dict[str, str]] = {
    "catalogue.imported": "Product file imported",
    "customers.imported": "List of customers imported",
    "customers.taken_back": "List of customers taken back",
    "tablet.registered": "Tablet registered",
    "tablet.revoked": "Tablet taken out of use",
    sign_in.SIGNED_IN: "Signed in",
    sign_in.SIGNED_OUT: "Signed out",
    sign_in.FAILED: "Failed sign-in",
    sign_in.SHUT: "Sign-in shut for a while",
    sign_in.EXPORTED: "Exported",
    second_factor.ADDED: "Second factor set up",
    second_factor.REMOVED: "Second factor removed",
    second_factor.CODES_MADE: "New recovery codes made",
    second_factor.RESET: "Second factor reset",
    api_tokens.MADE: "Token of the API made",
    api_tokens.ENDED: "Token of the API ended",
    api_tokens.WROTE: "Written by a program",
    restored.RESTORED: kept("Backup restored"),
}
"""What happened, where it is not that a record was added, changed or removed."""

AT_THE_DOOR: Final = (
    sign_in.SIGNED_IN,
    sign_in.SIGNED_OUT,
    sign_in.FAILED,
    sign_in.SHUT,
    sign_in.EXPORTED,
)
"""What is no change of a record: who came in, who tried to, and what was taken out."""

EXPORTS: Final = "exports"
DOOR: Final = "door"
RIGHTS: Final = "rights"

GROUPS: Final[dict[str, str]] = {
    DOOR: "Sign-ins",
    EXPORTS: "Exports",
    RIGHTS: "Accounts and rights",
}
"""What may be asked for beside a kind of record."""

_RIGHTS: Final = models.Q(
    code__in=[
        "staffmember.created",
        "staffmember.changed",
        "tablet.registered",
        "tablet.revoked",
        second_factor.ADDED,
        second_factor.REMOVED,
        second_factor.CODES_MADE,
        second_factor.RESET,
        api_tokens.MADE,
        api_tokens.ENDED,
        restored.RESTORED,
    ]
) | models.Q(
    code="shop.changed",
    after__has_any_keys=[
        "second_factor_required",
        "second_factor_days",
        "own_review_allowed",
        "idle_limit_h",
        "lock_after_min",
    ],
)
"""Who may sign in, as what and how: accounts, PINs, second factors, tablets, the shop's rules."""

_OF_SIGNING_IN: Final = frozenset({*AT_THE_DOOR, second_factor.ADDED, second_factor.REMOVED})

NOBODY: Final = "Nobody signed in"
THE_SERVER: Final = "On the server itself"

SAID_AT_THE_DOOR: Final = (
    kept("password"),
    kept("PIN"),
    kept("second factor"),
    kept("app"),
    kept("passkey"),
    kept("token of the API"),
    kept("recovery code"),
    kept("known device"),
    kept("used before"),
    kept("new"),
    kept("time without use"),
)
"""Words that the log keeps about sign-ins."""

_HAPPENED: Final = {
    "created": kept("%(record)s added"),
    "changed": kept("%(record)s changed"),
    "removed": kept("%(record)s removed"),
}
_KEPT_VALUES: Final = (kept("yes"), kept("no"), kept("set"), kept("taken away"))
_LABELS: Final = {
    "is_active": "may sign in",
    "pin": "PIN",
    "username": "sign-in name",
    "active": "in use",
    "revoked_at": "from",
    "until": "until",
    "called": "What it is called",
    "scopes": "What it may do",
    "expires_at": kept("Works until"),
    "news": "What it is told",
    "backup_of": kept("As it was at"),
    "sign_ins": kept("Sign-ins ended"),
    "tokens": kept("Tokens of the API ended"),
    "deliveries": kept("News given up that waited"),
}


def tell_of(
    model: type[models.Model], name: str, page: str = "", titles: Mapping[str, str] | None = None
) -> None:
    """Name a kind of record that the log tells of, and what may happen to one of it."""
    KINDS[model._meta.model_name or ""] = Kind(model, name, page)
    TITLES.update(titles or {})


tell_of(StaffMember, kept("Staff member"), "staff_edit")
tell_of(
    Customer,
    kept("Customer"),
    "customer",
    {
        "customer.merged": kept("Customer merged into another"),
        "customer.unmerged": kept("Merging of a customer taken back"),
        "customer.erased": kept("Customer's data erased"),
    },
)
tell_of(Vehicle, kept("Vehicle"), "vehicle")
tell_of(VehicleModel, kept("Vehicle model"), "vehicle_model_edit")
tell_of(
    Product,
    kept("Product"),
    "product",
    {
        "product.corrected": kept("Inputs of a product corrected at the bench"),
        "product.looked_at": kept("Correction of a product looked at"),
    },
)
tell_of(Shop, kept("Profile and assumptions"))
tell_of(Bay, kept("Bay"), "bay_edit")
tell_of(Branch, kept("Branch"), "branch_edit")
tell_of(Tablet, kept("Tablet"))
tell_of(ApiToken, kept("Token of the API"))
tell_of(PlugTable, kept("Plug"), "plug")
tell_of(LabelSheet, kept("Label sheet"), "label_sheet_edit")


class Told(NamedTuple):
    """One field of an event in words; `old` is empty where nothing stood, `new` where the record
    is gone."""

    label: str
    old: str
    new: str


class Entry(NamedTuple):
    """One event as the page shows it."""

    event: ShopEvent
    who: str
    title: str
    told: list[Told]
    more: list[Told]


def log_url(row: models.Model) -> str:
    """Where the log of one record is read; nothing for a record that is in none."""
    if row._meta.model_name not in KINDS:
        return ""
    return f"{reverse('shop_log')}?{urlencode({'record': subject_of(row)})}"


def _title(event: ShopEvent) -> str:
    kind, _, happened = event.code.partition(".")
    name = KINDS[kind].name if kind in KINDS else capital(kind)
    if event.code in TITLES or happened not in _HAPPENED:
        return told(TITLES.get(event.code, f"{name} {happened}"))
    return gettext(_HAPPENED[happened]) % {"record": told(name)}


def _who(event: ShopEvent) -> str:
    if event.actor is not None:
        return str(event.actor)
    return told(NOBODY if event.code in AT_THE_DOOR else THE_SERVER)


def _name_of(record: Mapping[str, Any], other: Any) -> str:
    """Another record by its name, with its key where two of a name would look alike."""
    same = isinstance(other, dict) and other.get("name") == record["name"]
    return f"{record['name']} (no. {record['id']})" if same and other != record else record["name"]


def _words(value: Any, other: Any, field: Any) -> str:
    """A value in words; `other` is what stood, or stands, in its place."""
    if isinstance(value, dict) and "id" in value:
        return _name_of(value, other)
    if isinstance(value, list) and value:
        if isinstance(value[0], dict) and "id" in value[0]:
            return " · ".join(one["name"] for one in value)
        if isinstance(value[0], list):
            return f"{len(value)} points"
        choices = dict(getattr(field, "flatchoices", ()) or ())
        return ", ".join(str(choices.get(one, one)) for one in value)
    if isinstance(field, models.TimeField) and isinstance(value, str):
        return value[:5]
    words = value_of(value, field)
    secret = field is None and value in (SET, TAKEN_AWAY)
    of_ours = secret or isinstance(value, bool) or _is_choice(field)
    return told(words) if of_ours else words


def _is_choice(field: Any) -> bool:
    return bool(getattr(field, "choices", None))


def _told(name: str, old: Any, new: Any, model: type[models.Model] | None) -> Told:
    if rating := rating_of(name):
        watts = [with_unit("power, W", power_w, None)[1] for power_w in (old, new)]
        return Told(rating_label(*rating), *watts)
    field = None if name in SECRET else field_of(model, name)
    label = _LABELS.get(name) or label_of(field, name)
    if name.startswith("cavity "):
        label = f"pin {name.removeprefix('cavity ')}"
    if any(isinstance(one, float | int) and not isinstance(one, bool) for one in (old, new)):
        named, _ = with_unit(label, old if is_nothing(new) else new, field)
        texts = [with_unit(label, value, field)[1] for value in (old, new)]
        return Told(capital(named), *texts)
    return Told(capital(label), _words(old, new, field), _words(new, old, field))


def _is_usual(name: str, value: Any, model: type[models.Model] | None) -> bool:
    """A new record says this of itself without anybody having entered it."""
    field = field_of(model, name)
    return field is not None and field.has_default() and field.get_default() == value


def entry_of(event: ShopEvent) -> Entry:
    """An event in words."""
    kind, _ = event.about
    model = KINDS[kind].model if kind in KINDS else None
    before, after = event.before, event.after
    lines = []
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name), after.get(name)
        if not before and _is_usual(name, new, model):
            continue
        one = _told(name, old, new, model)
        if old == new or is_nothing(old):
            one = one._replace(old="")
        if one.new in SAID_AT_THE_DOOR and event.code in _OF_SIGNING_IN:
            one = one._replace(new=told(one.new))
        lines.append(one if after else one._replace(new=""))
    return Entry(event, _who(event), _title(event), lines[:MOST_SEEN], lines[MOST_SEEN:])


def entries_of(events: Iterable[ShopEvent]) -> list[Entry]:
    """Events in words, in their order."""
    return [entry_of(event) for event in events]


def record_of(subject: str) -> tuple[Kind, models.Model | None] | None:
    """The kind and, while it is there, the row that a subject names; None for no subject."""
    event = ShopEvent(subject=subject)
    kind, key = event.about
    if kind not in KINDS or not key:
        return None
    return KINDS[kind], KINDS[kind].model._default_manager.filter(pk=key).first()


class Asked(NamedTuple):
    """What of the log is asked for; nothing in a field asks for all."""

    record: str = ""
    kind: str = ""
    by: int | None = None
    by_server: bool = False
    first_day: date | None = None
    last_day: date | None = None
    part_of: int | None = None


def _of_kind(kind: str) -> models.Q:
    if kind == DOOR:
        return models.Q(code__in=[code for code in AT_THE_DOOR if code != sign_in.EXPORTED])
    if kind == EXPORTS:
        return models.Q(code=sign_in.EXPORTED)
    return _RIGHTS if kind == RIGHTS else models.Q(subject__startswith=f"{kind}:")


def _midnight(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time()))


def found(asked: Asked) -> "models.QuerySet[ShopEvent]":
    """The events that are asked for, the newest first.

    A person's are those they did, and the tries at their name by whoever was not signed in.
    """
    events = ShopEvent.objects.select_related("actor")
    if asked.record:
        events = events.filter(subject=asked.record)
    if asked.kind:
        events = events.filter(_of_kind(asked.kind))
    if asked.by_server:
        events = events.filter(actor=None).exclude(code__in=AT_THE_DOOR)
    elif asked.by:
        at_their_name = models.Q(
            actor=None, code__in=AT_THE_DOOR, subject=f"staffmember:{asked.by}"
        )
        events = events.filter(models.Q(actor_id=asked.by) | at_their_name)
    if asked.first_day:
        events = events.filter(at__gte=_midnight(asked.first_day))
    if asked.last_day:
        events = events.filter(at__lt=_midnight(asked.last_day + timedelta(days=1)))
    if asked.part_of:
        events = events.filter(part_of_id=asked.part_of)
    return events


def table_of(events: Iterable[ShopEvent]) -> list[list[Cell]]:
    """The log as a table: headings, then a row an event, in the words of the page."""
    headings = ("When", "Who", "What", "Record", "Changes", "Event")
    rows: list[list[Cell]] = [[told(heading) for heading in headings]]
    for entry in entries_of(events):
        event = entry.event
        changes = "; ".join(
            f"{told(one.label)}: {' → '.join(text for text in (one.old, one.new) if text)}"
            for one in (*entry.told, *entry.more)
        )
        at = timezone.localtime(event.at).isoformat(timespec="seconds")
        rows.append([at, entry.who, told(entry.title), event.name, changes, event.pk])
    return rows
