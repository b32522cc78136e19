"""The catalogue as a file, and an empty file to fill in: the same columns as an import takes."""

from collections.abc import Iterable
from typing import Final

from shop.catalogue.columns import (
    KIND,
    cell_of,
    columns_for,
    field_of,
    heading_of,
    is_needed,
    rating_key,
    rating_of,
)
from shop.catalogue.spreadsheets import Cell, csv_bytes, xlsx_bytes
from shop.models import Product, ProductKind

TEMPLATE_RATINGS: Final = ((4.0, False), (2.0, False), (4.0, True))

CSV: Final = "csv"
XLSX: Final = "xlsx"
CONTENT_TYPES: Final = {
    CSV: "text/csv; charset=utf-8",
    XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def export_rows(products: Iterable[Product], kind: str = "") -> list[list[Cell]]:
    """Headings, then a row for each product; the ratings are read through `ratings.all()`."""
    kept = list(products)
    rated = [
        {(rating.load_ohm, rating.bridged): rating.power_w for rating in product.ratings.all()}
        for product in kept
    ]
    columns = columns_for(kind, {rating for powers in rated for rating in powers})
    rows: list[list[Cell]] = [[heading_of(key) for key in columns]]
    for product, powers in zip(kept, rated, strict=True):
        by_key = {rating_key(*rating): power_w for rating, power_w in powers.items()}
        rows.append(
            [by_key.get(key) if rating_of(key) else cell_of(product, key) for key in columns]
        )
    return rows


def export_file(kind: str, form: str) -> bytes:
    """All products, of one kind or of every kind, discontinued ones too, as CSV or .xlsx."""
    products = Product.objects.prefetch_related("ratings")
    if kind:
        products = products.filter(kind=kind)
    rows = export_rows(products, kind)
    return csv_bytes(rows) if form == CSV else xlsx_bytes({"Catalogue": rows})


def template_file(kind: str, form: str) -> bytes:
    """An empty file with one kind's columns; the .xlsx says on a second sheet what each is."""
    rated = TEMPLATE_RATINGS if kind == ProductKind.AMPLIFIER else ()
    columns = columns_for(kind, rated)
    rows: list[list[Cell]] = [[heading_of(key) for key in columns]]
    if form == CSV:
        return csv_bytes(rows)
    about: list[list[Cell]] = [["Column", "Needed", "What it takes"]]
    for key in columns:
        needed = "Yes" if is_needed(key, kind) else ""
        about.append([heading_of(key), needed, _takes(key)])
    return xlsx_bytes({ProductKind(kind).label: rows, "About the columns": about})


def _takes(key: str) -> str:
    if rating := rating_of(key):
        load_ohm, bridged = rating
        whose = "a bridged pair" if bridged else "one channel"
        return (
            f"Continuous power of {whose} into {load_ohm:g} ohm, in watts. Add a column like this "
            "for each load the maker states."
        )
    if key == KIND:
        return "One of: " + ", ".join(ProductKind.labels)
    field = field_of(key)
    if choices := getattr(field, "choices", None):
        return "One of: " + ", ".join(str(label) for _, label in choices)
    if field is not None and field.get_internal_type() == "BooleanField":
        return "Yes or No"
    text = str(getattr(field, "help_text", "")) if key not in ("cost", "price") else "An amount"
    return text or ("A number" if field is not None and "Char" not in type(field).__name__ else "")
