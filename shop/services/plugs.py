"""Writing what is known of a plug's cavities."""

from collections.abc import Iterable
from typing import NamedTuple

from django.db import transaction

from shop.models import PlugCavity, PlugTable, StaffMember
from shop.models.plugs import Proof
from shop.services import events


class Known(NamedTuple):
    """What is known of one cavity; without a colour and a function it is empty."""

    cavity: str
    base: str = ""
    stripe: str = ""
    function: str = ""
    proof: str = Proof.DOCUMENT
    source: str = ""

    @property
    def empty(self) -> bool:
        return not (self.base or self.function)


@transaction.atomic
def save_plug(table: PlugTable, actor: StaffMember) -> PlugTable:
    """Keep a plug's name and face. Raises ValidationError where its owner has one of that name.

    The owner's row is held meanwhile, so that of two who write one name the second is told.
    """
    owner = table.vehicle_model or table.product
    assert owner is not None
    type(owner).objects.select_for_update().get(pk=owner.pk)
    table.validate_constraints()
    return events.save(table, actor)


@transaction.atomic
def remove_plug(table: PlugTable, actor: StaffMember) -> None:
    """Take a plug away with its cavities; the log keeps what they were."""
    stood = {_key(one.cavity): _said(one) for one in table.cavities.all()}
    events.delete(table, actor, before=stood)


class Written(NamedTuple):
    """How many cavities were written and taken out, and which proved ones were left as they are."""

    written: int
    gone: int
    kept: tuple[str, ...] = ()


@transaction.atomic
def save_cavities(
    table: PlugTable, known: Iterable[Known], actor: StaffMember, *, keep_proved: bool = False
) -> Written:
    """Write cavities into a plug, each in the place of what stood there; an empty one is taken
    out. With `keep_proved` what was proved in a car does not give way to a document."""
    PlugTable.objects.select_for_update().get(pk=table.pk)
    there = {one.cavity: one for one in table.cavities.all()}
    before: dict[str, str] = {}
    after: dict[str, str] = {}
    written = gone = 0
    kept = []
    for one in known:
        stands = there.get(one.cavity)
        proved = stands is not None and stands.proof == Proof.PROVED
        if keep_proved and proved and one.proof != Proof.PROVED:
            kept.append(one.cavity)
            continue
        if stands is not None:
            before[_key(one.cavity)] = _said(stands)
        if one.empty:
            gone += table.cavities.filter(cavity=one.cavity).delete()[0]
            continue
        facts = {name: getattr(one, name) for name in one._fields if name != "cavity"}
        row, _ = PlugCavity.objects.update_or_create(table=table, cavity=one.cavity, defaults=facts)
        after[_key(one.cavity)] = _said(row)
        written += 1
    names = [name for name in {**before, **after} if before.get(name) != after.get(name)]
    if names:
        events.log(
            actor,
            "plugtable.changed",
            table,
            {name: before.get(name, "") for name in names},
            {name: after.get(name, "") for name in names},
        )
    return Written(written, gone, tuple(kept))


def _key(cavity: str) -> str:
    return f"cavity {cavity}"


def _said(one: PlugCavity) -> str:
    """A cavity in the log: "GN/WH, Front left +, proved in a car, first car"."""
    colour = "/".join(filter(None, [one.base, one.stripe]))
    known = one.get_proof_display().lower()
    return ", ".join(filter(None, [colour, one.function, known, one.source]))
