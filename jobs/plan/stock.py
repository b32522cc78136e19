"""The cables and fuses of the shop's catalogue, as the sums know them."""

from typing import Any

from shop.models import Product, ProductKind
from wiring.proposals import Stock, StockCable, StockFuse

_FIGURES = ("pk", "maker", "name", "cable_size", "cable_metal", "insulation_c")


def stock() -> Stock:
    """What the shop offers of cables and fuses, in one query; entries without figures left out."""
    rows: list[Any] = list(
        Product.objects.offered()
        .filter(kind__in=(ProductKind.CABLE, ProductKind.FUSE))
        .only("kind", "fuse_body", "fuse_rating_a", *_FIGURES)
        .order_by("pk")
    )
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
