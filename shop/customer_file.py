"""A list of customers into the book: what each row would do, then all of it or nothing.

A row never takes anything away: of a customer who is in the book it fills in what is empty. Who is
who goes by phone number and email, however they are written, and by the name.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from copy import copy
from typing import Any, Final

import msgspec
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max, ProtectedError
from django.utils.translation import gettext

from shop.catalogue.import_forms import FileColumns
from shop.catalogue.match import plain
from shop.catalogue.spreadsheets import Row, Table
from shop.import_plan import (
    Change,
    Choice,
    ImportPlan,
    ImportRefused,
    RowOutcome,
    State,
    one_at_a_time,
)
from shop.models import CatalogueUpload, Customer, ShopEvent, StaffMember
from shop.models.people import phone_tail
from shop.services import events

IMPORTED: Final = "customers.imported"
TAKEN_BACK: Final = "customers.taken_back"

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "name": ("full name", "customer", "customer name", "company", "client"),
    "first_name": ("forename", "given name", "first"),
    "last_name": ("surname", "family name", "last"),
    "phone": (
        "telephone",
        "tel",
        "mobile",
        "cell",
        "phone number",
        "mobile phone",
        "mobile number",
    ),
    "email": ("e mail", "mail", "email address"),
    "address": ("full address",),
    "street": ("address line 1", "road", "street address"),
    "street_2": ("address line 2", "second line"),
    "postcode": ("post code", "zip", "zip code", "postal code"),
    "town": ("city", "place"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
}
"""What a column may stand for, with other headings that mean it."""

LABELS: Final = {
    "name": "Name",
    "first_name": "First name",
    "last_name": "Last name",
    "phone": "Phone",
    "email": "Email",
    "address": "Address",
    "street": "Street",
    "street_2": "Second line of the address",
    "postcode": "Postcode",
    "town": "Town",
    "note": "Note",
}
FIELDS: Final = ("name", "phone", "email", "address", "note")
"""What of a customer a row can say; the other columns are parts of these."""


class Outcome(RowOutcome[Customer]):
    """What one row would do to the customers of the book."""

    @property
    def can_update(self) -> bool:
        """Whether whoever looks like the row lacks anything that it says."""
        return self.alike is not None and bool(self.changes)


def guesses(headings: Iterable[str]) -> list[str]:
    """What the columns of a file stand for by their headings; each at most once."""
    meant = {
        plain(words): key
        for key, others in COLUMNS.items()
        for words in (key.replace("_", " "), LABELS[key], *others)
    }
    taken: set[str] = set()
    columns = []
    for heading in headings:
        key = meant.get(plain("".join(one if one.isalnum() else " " for one in heading)), "")
        columns.append("" if key in taken else key)
        taken.add(key)
    return columns


class CustomerColumns(FileColumns):
    """What each column of a list of customers stands for."""

    def choices_for(self, guessed: Iterable[str]) -> list[tuple[str, Any]]:
        return [("", "Leave out"), *LABELS.items()]

    def heading_of(self, key: str) -> str:
        return LABELS[key]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        taken = self.taken(cleaned).keys()
        if self.errors:
            return cleaned
        if not taken & {"name", "first_name", "last_name"}:
            self.add_error(None, gettext("Say which column is the name."))
        elif not taken & {"phone", "email"}:
            self.add_error(
                None,
                gettext(
                    "Say which column is the phone number or the email: one of them is needed."
                ),
            )
        return cleaned


class _Book:
    """Everybody in the book, to be found by phone number, email and name."""

    def __init__(self) -> None:
        self.phones: dict[str, list[Customer]] = defaultdict(list)
        self.emails: dict[str, list[Customer]] = defaultdict(list)
        self.names: dict[str, list[Customer]] = defaultdict(list)
        for customer in Customer.objects.in_the_book().filter(erased_at=None).order_by("pk"):
            for group, key in zip(
                (self.phones, self.emails, self.names), _keys(customer), strict=True
            ):
                if key:
                    group[key].append(customer)

    def find(self, customer: Customer) -> tuple[Customer | None, Customer | None, str]:
        """The customer that this is, or else one who looks like them and why."""
        phone, email, name = _keys(customer)
        by_phone, by_email = self.phones.get(phone, []), self.emails.get(email, [])
        reached = {one.pk: one for one in (*by_phone, *by_email)}
        same = [one for one in reached.values() if plain(one.name) == name]
        if len(same) == 1:
            return same[0], None, ""
        if same:
            return None, same[0], f"{len(same)} customers of this name are reached there"
        if by_phone:
            return None, by_phone[0], "the same phone number"
        if by_email:
            return None, by_email[0], "the same email"
        if named := self.names.get(name, []):
            return None, named[0], "the same name"
        return None, None, ""


def _keys(customer: Customer) -> tuple[str, str, str]:
    return phone_tail(customer.phone), plain(customer.email), plain(customer.name)


class _Reader:
    """Turns the rows of one upload into outcomes."""

    def __init__(self, upload: CatalogueUpload, choices: Mapping[int, Choice]) -> None:
        self.choices = choices
        self.book = _Book()
        self.places = {key: at for at, key in enumerate(upload.columns) if key}
        self.rows: dict[tuple[str, str, str], int] = {}
        self.customers: dict[int, int] = {}

    def read(self, row: Row) -> Outcome:
        """What one row would do."""
        said = Customer(**self._said(row))
        outcome = Outcome(row.number, said.name or "No name")
        try:
            said.full_clean(validate_unique=False)
        except ValidationError as error:
            outcome.errors += [
                f"{LABELS.get(name, name)}: {text}"
                for name, texts in error.message_dict.items()
                for text in texts
            ]
        if not (said.phone or said.email):
            outcome.errors.append("Give a phone number or an email: one of them is needed.")
        if outcome.errors:
            outcome.state = State.WRONG
            return outcome
        earlier = self.rows.setdefault(_keys(said), row.number)
        if earlier != row.number:
            outcome.state = State.SAME
            outcome.notes.append(f"Row {earlier} says the same: one of the two is left out.")
            return outcome
        self._place(outcome, said)
        return outcome

    def _said(self, row: Row) -> dict[str, str]:
        """The entries of a customer as the row has them."""
        cells = {key: row.cells[place] for key, place in self.places.items()}
        town = " ".join(filter(None, [cells.get("postcode"), cells.get("town")]))
        lines = [cells.get("street"), cells.get("street_2"), town]
        names = [cells.get("first_name"), cells.get("last_name")]
        return {
            "name": cells.get("name") or " ".join(filter(None, names)),
            "phone": cells.get("phone", ""),
            "email": cells.get("email", ""),
            "address": cells.get("address") or "\n".join(filter(None, lines)),
            "note": cells.get("note", ""),
        }

    def _place(self, outcome: Outcome, said: Customer) -> None:
        record, outcome.alike, outcome.why = self.book.find(said)
        if outcome.alike is not None:
            outcome.state = State.ALIKE
            outcome.choice = self.choices.get(outcome.number, Choice.LEAVE)
        target = record or (outcome.alike if outcome.choice != Choice.ADD else None)
        if target is None:
            outcome.record = said
            outcome.changes = [
                Change(LABELS[name], "", value)
                for name in FIELDS[1:]
                if (value := getattr(said, name))
            ]
            return
        if outcome.choice == Choice.UPDATE or record is not None:
            earlier = self.customers.setdefault(target.pk, outcome.number)
            if earlier != outcome.number:
                outcome.state, outcome.choice = State.SAME, Choice.LEAVE
                outcome.notes.append(f"Row {earlier} speaks of {target} already: left out.")
                return
        filled = copy(target)
        for name in FIELDS:
            old, new = getattr(target, name), getattr(said, name)
            if new and not old:
                setattr(filled, name, new)
                outcome.changes.append(Change(LABELS[name], "", new))
            elif new and plain(old) != plain(new) and (name != "phone" or _differ(old, new)):
                outcome.notes.append(f"{LABELS[name]} stays {old}; the file says {new}.")
        filled.clean()
        outcome.record = filled
        if record is not None:
            outcome.state = State.CHANGED if outcome.changes else State.SAME


def _differ(one: str, other: str) -> bool:
    return phone_tail(one) != phone_tail(other)


def plan_import(
    upload: CatalogueUpload, choices: Mapping[int, Choice] | None = None
) -> ImportPlan[Outcome]:
    """What the list would do; nothing is written. `choices` are by row number."""
    sheet = msgspec.convert(upload.sheet, Table)
    reader = _Reader(upload, choices or {})
    return ImportPlan([reader.read(row) for row in sheet.rows])


@transaction.atomic
def apply_import(
    upload: CatalogueUpload, choices: Mapping[int, Choice], digest: str, *, without_wrong: bool
) -> tuple[int, int]:
    """Write the list as it was shown: how many customers are added, how many filled in.

    `without_wrong` leaves out the rows that are wrong. Raises ImportRefused, and writes nothing,
    when a row is wrong otherwise, nothing is left to write, or the book is no longer what the
    person looked at.
    """
    one_at_a_time()
    if not CatalogueUpload.objects.filter(pk=upload.pk).exists():
        raise ImportRefused(gettext("This list is imported already."))
    plan = plan_import(upload, choices)
    plan.refuse_unless_shown(digest, "The customers have", without_wrong=without_wrong)
    written = [one.record for one in plan.outcomes if one.writes and one.record is not None]
    if not written:
        raise ImportRefused(gettext("Nothing was imported: no row adds or fills in anything."))
    new = [customer for customer in written if customer.pk is None]
    filled = [customer for customer in written if customer.pk is not None]
    standing = Customer.objects.select_for_update().in_bulk([one.pk for one in filled])
    Customer.objects.bulk_create(new)
    for customer in filled:
        customer.save(update_fields=[*FIELDS, "phone_digits"])
    counts = {"added": len(new), "changed": len(filled)}
    imported = events.log(upload.by, IMPORTED, upload, after=counts)
    changes = [events.change_of(standing.get(one.pk), one) for one in written]
    events.log_each(upload.by, filter(None, changes), part_of=imported)
    upload.delete()
    return len(new), len(filled)


def may_be_taken_back(most: int) -> list[ShopEvent]:
    """The newest lists that were imported and not taken back."""
    back = ShopEvent.objects.filter(code=TAKEN_BACK).values("part_of")
    lists = ShopEvent.objects.filter(code=IMPORTED).exclude(pk__in=back)
    return list(lists.select_related("actor").order_by("-pk")[:most])


@transaction.atomic
def take_back(event_pk: int, actor: StaffMember) -> tuple[int, int]:
    """Take the customers that a list added out of the book again, and what it filled in: how many
    are gone, how many stay because something rests on them or they were changed since.

    A second time it does nothing. Raises the model's DoesNotExist for another event.
    """
    one_at_a_time()
    imported = ShopEvent.objects.get(pk=event_pk, code=IMPORTED)
    if ShopEvent.objects.filter(code=TAKEN_BACK, part_of=imported).exists():
        return 0, 0
    gone = stay = 0
    written = list(ShopEvent.objects.filter(part_of=imported).order_by("pk"))
    customers = Customer.objects.in_bulk([event.about[1] for event in written])
    events_of = ShopEvent.objects.filter(subject__in=[event.subject for event in written])
    newest = dict(events_of.values_list("subject").annotate(Max("pk")).order_by())
    for event in written:
        customer = customers.get(event.about[1])
        changed = newest[event.subject] != event.pk
        if customer is None or changed or not _undone(event, customer, actor):
            stay += 1
        else:
            gone += 1
    upload = CatalogueUpload(pk=imported.about[1], file_name=imported.name)
    counts = {"gone": gone, "stay": stay}
    events.log_each(actor, [events.Change(TAKEN_BACK, upload, after=counts)], part_of=imported)
    return gone, stay


def _undone(event: ShopEvent, customer: Customer, actor: StaffMember) -> bool:
    if event.code == "customer.created":
        try:
            with transaction.atomic():
                events.delete(customer, actor)
        except ProtectedError:
            return False
        return True
    for name, old in event.before.items():
        setattr(customer, name, old)
    customer.clean()
    events.save(customer, actor, only=[*event.before, "phone_digits"])
    return True
