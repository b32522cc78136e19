"""The parts of a saved setup that a job, or a booking, still lacks. A product is the same by its
catalogue entry, else by maker and name, as in `jobs.setups.match`."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models.functions import Lower
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, JobPart, SavedSetup
from jobs.services.parts import MOST_QUANTITY, MOST_UNITS, put_in
from jobs.setups.document import upgrade
from shop.models import Product, StaffMember


@dataclass(frozen=True)
class Lacking:
    """A product of a setup and how many of it are still to come; None where the catalogue no
    longer offers it."""

    name: str
    product: Product | None
    quantity: int


def _wanted(document: Mapping[str, Any]) -> dict[tuple[str, str], tuple[Mapping[str, Any], int]]:
    """Each product of a setup once, by maker and name, with its whole quantity."""
    wanted: dict[tuple[str, str], tuple[Mapping[str, Any], int]] = {}
    for one in document["products"].values():
        name = (str(one["maker"]).casefold(), str(one["name"]).casefold())
        known, count = wanted.get(name, (one, 0))
        wanted[name] = (known, count + one["quantity"])
    return wanted


def lacking(setup: SavedSetup, there: Iterable[tuple[Product, int]] = ()) -> list[Lacking]:
    """What of a setup's products is not among these, each with its quantity; in its order."""
    here: dict[tuple[str, str], int] = {}
    for product, quantity in there:
        name = (product.maker.casefold(), product.name.casefold())
        here[name] = here.get(name, 0) + quantity
    wanted = _wanted(upgrade(setup.document))
    names = [name for _, name in wanted]
    offered = {
        (product.maker.casefold(), product.name.casefold()): product
        for product in Product.objects.offered()
        .annotate(plain=Lower("name"))
        .filter(plain__in=names)
    }
    listed = []
    for name, (one, count) in wanted.items():
        left = count - here.get(name, 0)
        if left > 0:
            listed.append(Lacking(str(one["product"]), offered.get(name), left))
    return listed


@transaction.atomic
def add_lacking(number: int, setup: SavedSetup, actor: StaffMember) -> list[JobPart]:
    """Put the products of a setup that a job lacks into it. Raises Refused where parts are
    settled; what the catalogue no longer offers is left out."""
    job = Job.objects.select_for_update(of=("self",)).get(number=number)
    if not job.takes_changes:
        raise Refused(
            gettext("The parts of %(job)s are settled: it is %(standing)s.")
            % {"job": job, "standing": job.standing}
        )
    added: list[JobPart] = []
    there = [(part.product, part.quantity) for part in job.parts.select_related("product")]
    for one in lacking(setup, there):
        if one.product is not None:
            most = MOST_UNITS if one.product.is_unit else MOST_QUANTITY
            added += put_in(job, one.product, min(one.quantity, most), actor)
    return added
