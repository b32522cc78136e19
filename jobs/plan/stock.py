"""The cables and fuses of the shop's catalogue, as the sums know them."""

from collections.abc import Iterable
from typing import Any, Final

from jobs.models import Job
from shop.models import Product, ProductKind
from wiring.power import conductors
from wiring.proposals import NO_STOCK as NO_STOCK, Stock as Stock, StockCable, StockFuse

_FIGURES = ("pk", "maker", "name", "cable_size", "cable_metal", "insulation_c")


def stock() -> Stock:
    """What the shop offers of cables and fuses, in one query; entries without figures left out."""
    return _stock(
        Product.objects.offered()
        .filter(kind__in=(ProductKind.CABLE, ProductKind.FUSE))
        .only("kind", "fuse_body", "fuse_rating_a", *_FIGURES)
        .order_by("pk")
    )


def stock_of(job: Job) -> Stock:
    """The cables and fuses among a job's own parts."""
    return _stock(
        part.product
        for part in job.parts.select_related("product")
        if part.product.kind in {ProductKind.CABLE, ProductKind.FUSE}
    )


def _stock(products: Iterable[Any]) -> Stock:
    rows = list(products)
    cables = tuple(
        StockCable(str(one.pk), str(one), one.cable_size, one.cable_metal, one.insulation_c)
        for one in rows
        if one.kind == ProductKind.CABLE and one.cable_size and one.cable_metal
    )
    fuses = tuple(
        StockFuse(str(one.pk), str(one), one.fuse_body, one.fuse_rating_a)
        for one in rows
        if one.kind == ProductKind.FUSE and one.fuse_body and one.fuse_rating_a
    )
    return Stock(cables, fuses)


_SAME_AREA: Final = 0.999
"""A gauge and a metric size that round to the same area count as the same."""


def as_thick(own: Stock, size: str) -> list[StockCable]:
    """The cables no thinner than this size, the thinnest of them first."""
    wanted_mm2 = conductors.size(size).area_mm2
    areas = [(conductors.size(one.size).area_mm2, one) for one in own.cables]
    areas.sort(key=lambda pair: pair[0])
    return [one for area, one in areas if area >= wanted_mm2 * _SAME_AREA]
