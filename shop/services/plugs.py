"""Writing what is known of a plug's cavities."""

from collections.abc import Iterable
from typing import NamedTuple

from django.db import transaction

from shop.models import PlugCavity, PlugTable
from shop.models.plugs import Proof


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
def save_cavities(table: PlugTable, known: Iterable[Known]) -> tuple[int, int]:
    """Write cavities into a plug, each in the place of what stood there; an empty one is taken
    out. Returns how many were written and how many taken out."""
    PlugTable.objects.select_for_update().get(pk=table.pk)
    written = gone = 0
    for one in known:
        if one.empty:
            gone += table.cavities.filter(cavity=one.cavity).delete()[0]
            continue
        facts = {name: getattr(one, name) for name in one._fields if name != "cavity"}
        PlugCavity.objects.update_or_create(table=table, cavity=one.cavity, defaults=facts)
        written += 1
    return written, gone
