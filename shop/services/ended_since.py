"""What was taken away in a book since a backup of it was made, carried into the backup put back.

The database that is replaced knows it, and nobody else: it is looked at before, and what was ended
or changed is ended again after. Nobody is given a right, a tablet or an address that the backup has
not: what came to be since may be what the backup is put back for. A row is the same where what
nobody chooses is the same (a moment to the microsecond, a random token), never by its name or key.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from django.db import DatabaseError, models, transaction

from shop.models import Branch, CodeApp, Passkey, RecoveryCode, StaffMember, Tablet
from shop.services import ending, events, tablets

ROLES: Final = ("is_front_desk", "is_technician", "is_manager")
_SECOND: Final[tuple[tuple[type[models.Model], str], ...]] = (
    (CodeApp, "key_sealed"),
    (Passkey, "credential"),
    (RecoveryCode, "sha256"),
)
"""What a second factor is made of, and what no two of them share."""


@dataclass
class _Person:
    """A person as the replaced book had them."""

    row: StaffMember
    branches: frozenset[int]
    second: dict[type[models.Model], list[dict[str, Any]]]


@dataclass
class Stood:
    """What the replaced book said. `others` is what other rooms looked at."""

    people: dict[Any, _Person]
    tablets: set[str]
    others: dict[str, set[str]] = field(default_factory=dict)


Look = Callable[[], set[str]]
Carry = Callable[[set[str]], list[str]]

_also: Final[dict[str, tuple[Look, Carry]]] = {}


def also(name: str, look: Look, carry: Carry) -> None:
    """Have something else looked at before, and ended again after: by the room that knows it.
    What was ended is told in sentences."""
    _also[name] = (look, carry)


def look() -> Stood | None:
    """What the present book says; None where it cannot be read as this version knows it."""
    try:
        with transaction.atomic():
            return Stood(
                {(row.pk, row.date_joined): _person(row) for row in StaffMember.objects.all()},
                set(Tablet.objects.exclude(revoked_at=None).values_list("token_sha256", flat=True)),
                {name: looks() for name, (looks, _) in _also.items()},
            )
    except DatabaseError:
        return None


def written(stood: Stood) -> dict[str, Any]:
    """What it said, for a file of JSON: each value whole, a moment to its microsecond."""
    return {
        "people": [
            {
                "row": _kept(one.row),
                "branches": sorted(one.branches),
                "second": {
                    model._meta.label: [_kept(model(**row)) for row in rows]
                    for model, rows in one.second.items()
                },
            }
            for one in stood.people.values()
        ],
        "tablets": sorted(stood.tablets),
        "others": {name: sorted(what) for name, what in stood.others.items()},
    }


def read(kept: dict[str, Any]) -> Stood:
    """What `written` wrote."""
    people = [
        _Person(
            StaffMember(**_revived(StaffMember, one["row"])),
            frozenset(one["branches"]),
            {
                model: [_revived(model, row) for row in one["second"][model._meta.label]]
                for model, _ in _SECOND
            },
        )
        for one in kept["people"]
    ]
    return Stood(
        {(one.row.pk, one.row.date_joined): one for one in people},
        set(kept["tablets"]),
        {name: set(what) for name, what in kept["others"].items()},
    )


def _kept(row: models.Model) -> dict[str, Any]:
    def plain(field: Any) -> Any:
        value = field.value_from_object(row)
        is_plain = value is None or isinstance(value, bool | int | str | list | dict)
        return value if is_plain else field.value_to_string(row)

    return {field.attname: plain(field) for field in row._meta.concrete_fields}


def _revived(model: type[models.Model], kept: dict[str, Any]) -> dict[str, Any]:
    return {
        field.attname: None if kept[field.attname] is None else field.to_python(kept[field.attname])
        for field in model._meta.concrete_fields
        if field.attname in kept
    }


def _person(row: StaffMember) -> _Person:
    second = {model: list(_rows(model, row).values()) for model, _ in _SECOND}
    return _Person(row, frozenset(row.branches.values_list("pk", flat=True)), second)


def _rows(model: type[models.Model], person: StaffMember) -> "models.QuerySet[Any]":
    return model._default_manager.filter(person_id=person.pk).order_by("pk")


@transaction.atomic
def carry(stood: Stood) -> list[str]:
    """End again what had been ended; gives a sentence for each. Where that would leave nobody to
    manage the shop, people stay as the backup has them, and that is the sentence."""
    said = []
    people = list(StaffMember.objects.select_for_update().order_by("pk"))
    known = [(one, stood.people.get((one.pk, one.date_joined))) for one in people]
    if any(
        one.is_manager and one.is_active and (then is None or _manages(then.row))
        for one, then in known
    ):
        for one, then in known:
            if then is not None and (what := _carry_person(one, then)):
                said.append(f"{one}: {', '.join(what)}")
    else:
        said.append("people as on that day, since no manager was left")
    out = Tablet.objects.filter(token_sha256__in=stood.tablets)
    for tablet in ending.end(out, None, tablets.REVOKED, "revoked"):
        said.append(f"{tablet}: tablet out of use")
    for name, (_, carries) in _also.items():
        said += carries(stood.others.get(name, set()))
    return said


def _manages(row: StaffMember) -> bool:
    return row.is_manager and row.is_active


def _carry_person(one: StaffMember, then: _Person) -> list[str]:
    taken = {
        name: False
        for name in ("is_active", *ROLES)
        if getattr(one, name) and not getattr(then.row, name)
    }
    secrets = {
        name: getattr(then.row, name)
        for name in ("password", "pin")
        if getattr(one, name) != getattr(then.row, name)
    }
    what = [f"no longer {name.removeprefix('is_').replace('_', ' ')}" for name in taken]
    what += [f"{name} as it was last" for name in secrets]
    before: dict[str, Any] = dict.fromkeys(taken, True)
    after: dict[str, Any] = {**taken, **dict.fromkeys(secrets, events.SET)}
    if "password" in secrets:
        secrets["password_given"] = then.row.password_given
    for name, value in {**taken, **secrets}.items():
        setattr(one, name, value)
    one.save(update_fields=[*taken, *secrets])
    if _fewer_branches(one, then):
        what.append("branches taken")
        after["branches"] = sorted(map(str, one.branches.all()))
    if _carry_second(one, then.second):
        what.append("second factor as it was last")
        after["second_factor"] = events.SET
    if what:
        events.log(None, "staffmember.changed", one, before=before, after=after)
    return what


def _fewer_branches(one: StaffMember, then: _Person) -> bool:
    """Whether they had come to work in fewer: of those, and of these, what both have is left."""
    if then.row.whole_business:
        return False
    every = frozenset(Branch.objects.values_list("pk", flat=True))
    has = every if one.whole_business else frozenset(one.branches.values_list("pk", flat=True))
    if not one.whole_business and has <= then.branches:
        return False
    one.whole_business = False
    one.save(update_fields=["whole_business"])
    one.branches.set(has & then.branches)
    return True


def _carry_second(one: StaffMember, second: dict[type[models.Model], list[dict[str, Any]]]) -> bool:
    """Put the second factor that somebody had last in the place of the one in the backup."""

    def marks(rows: Iterable[dict[str, Any]], name: str) -> set[tuple[Any, bool]]:
        return {(row[name], row.get("used_at") is None and name == "sha256") for row in rows}

    changed = False
    for model, name in _SECOND:
        if marks(_rows(model, one).values(), name) == marks(second[model], name):
            continue
        _rows(model, one).delete()
        for row in second[model]:
            model._default_manager.create(**{key: row[key] for key in row if key != "id"})
        changed = True
    return changed
