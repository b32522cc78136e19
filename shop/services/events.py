"""Writing the shop's own log, and saving a record so that the log says what changed.

Every event is written by `log` or, many at once, by `log_each`: always inside the transaction of
the change it tells of. Passwords, PINs and tokens never go into it, only that they were set.
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final, NamedTuple, TypeVar

from django.db import models, transaction
from django.utils import timezone

from shop.models import ShopEvent, StaffMember

SECRET: Final = frozenset({"password", "pin", "token_sha256"})
"""Fields whose value is in no event; that one was set, or taken away, is said with these words:"""

SET: Final = "set"
TAKEN_AWAY: Final = "taken away"

_OF_SIGNING_IN: Final = frozenset({"last_login", "date_joined"})

Row = TypeVar("Row", bound=models.Model)


class Change(NamedTuple):
    """What happened to one record: "product.changed", and its fields from and to."""

    code: str
    row: models.Model
    before: Mapping[str, Any] = {}
    after: Mapping[str, Any] = {}


def subject_of(row: models.Model) -> str:
    """How the log names a record: its kind and its key."""
    return f"{row._meta.model_name}:{row.pk}"


def log(
    actor: StaffMember | None,
    code: str,
    row: models.Model,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> ShopEvent:
    """Add one event. `actor` is None for what is done on the server itself."""
    return log_each(actor, [Change(code, row, before or {}, after or {})])[0]


def log_each(
    actor: StaffMember | None, changes: Iterable[Change], part_of: ShopEvent | None = None
) -> list[ShopEvent]:
    """Add an event for each change; `part_of` is the event that they were all made by."""
    written = [
        ShopEvent(
            actor=actor,
            code=change.code,
            subject=subject_of(change.row),
            name=str(change.row)[:200],
            before=_plain(change.before),
            after=_plain(change.after),
            part_of=part_of,
            at=timezone.now(),
        )
        for change in changes
    ]
    return _write[-1](written)


Write = Callable[[list[ShopEvent]], list[ShopEvent]]

_write: list[Write] = [ShopEvent.objects.bulk_create]


def write_through(write: Write) -> None:
    """Have every event written by `write`: by whoever links them, as the program starts."""
    _write.append(write)


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    said = {SET, TAKEN_AWAY}
    if leaked := [name for name in SECRET & facts.keys() if facts[name] not in said]:
        raise ValueError(f"Secrets do not go into the log: {', '.join(sorted(leaked))}.")
    return {name: as_json(value) for name, value in facts.items()}


def as_json(value: Any) -> Any:
    """A value as the log keeps it: moments as ISO text, sums of money as text, another record by
    its key and its name."""
    if isinstance(value, models.Model):
        return {"id": value.pk, "name": str(value)}
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return [as_json(one) for one in value]
    return str(value) if isinstance(value, Decimal) else value


def logged_fields(model: type[models.Model]) -> list["models.Field[Any, Any]"]:
    """The fields of a record that the log tells of: what people enter, and no secret."""
    return [
        field
        for field in model._meta.concrete_fields
        if field.editable and not field.primary_key and field.name not in SECRET | _OF_SIGNING_IN
    ]


def facts_of(row: models.Model) -> dict[str, Any]:
    """What a record says, without the fields that are empty."""
    facts = {field.name: getattr(row, field.name) for field in logged_fields(type(row))}
    return {name: value for name, value in facts.items() if value not in (None, "", [])}


def differences(old: models.Model, new: models.Model) -> tuple[dict[str, Any], dict[str, Any]]:
    """The fields in which two states of a record differ: from, and to."""
    names = [
        field.name
        for field in logged_fields(type(new))
        if getattr(old, field.attname) != getattr(new, field.attname)
    ]
    return (
        {name: getattr(old, name) for name in names},
        {name: getattr(new, name) for name in names},
    )


@transaction.atomic
def save(
    row: Row,
    actor: StaffMember | None,
    *,
    only: Collection[str] | None = None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> Row:
    """Save a record and log one event: what it is when it is new, else what changed from and to.

    `only` are the fields to write of a row that stands. `before` and `after` add to the event what
    is no field. Nothing is logged when nothing differs.
    """
    old = standing(row)
    row.save(update_fields=only if old is not None else None)
    log_saved(old, row, actor, before, after)
    return row


def standing(row: Row) -> Row | None:
    """The row as the database has it, locked until the change is made; None for a new one."""
    rows = type(row)._default_manager.select_for_update()
    return rows.filter(pk=row.pk).first() if row.pk is not None else None


def log_saved(
    old: Row | None,
    row: Row,
    actor: StaffMember | None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> None:
    """Log one event for a row that was saved, `old` being what stood; see `save`."""
    if change := change_of(old, row, before, after):
        log_each(actor, [change])


def change_of(
    old: Row | None,
    row: Row,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> Change | None:
    """What became of a row: created, or changed from and to; None when nothing differs."""
    kind = row._meta.model_name
    if old is None:
        return Change(f"{kind}.created", row, before or {}, {**facts_of(row), **(after or {})})
    was, now = differences(old, row)
    was.update(before or {})
    now.update(after or {})
    return Change(f"{kind}.changed", row, was, now) if was or now else None


@transaction.atomic
def delete(row: models.Model, actor: StaffMember, before: Mapping[str, Any] | None = None) -> None:
    """Delete a record and log what it was. Raises ProtectedError when something rests on it."""
    log(actor, f"{row._meta.model_name}.removed", row, {**facts_of(row), **(before or {})})
    row.delete()
