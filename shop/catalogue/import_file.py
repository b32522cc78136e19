"""A product file into the catalogue: what each row would do, then all of it or nothing.

`plan_import` reads and decides, and writes nothing; `apply_import` decides again inside its
transaction and writes. A row goes through the product's own form, so a file obeys the rules that
typing does.
"""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field
from typing import Any

import msgspec
from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.utils.translation import gettext

from shop.catalogue.columns import (
    KIND,
    Ratings,
    WrongCell,
    counted_for,
    field_of,
    guesses,
    heading_of,
    likely_kind,
    rating_label,
    rating_of,
    read_cell,
)
from shop.catalogue.match import Catalogue, Words
from shop.catalogue.product_forms import ProductForm
from shop.catalogue.spreadsheets import (
    Cell,
    Row,
    Table,
    UnreadableFile,
    as_cell_text,
    table_of,
)
from shop.figures import shown_figure
from shop.import_plan import (
    Change,
    Choice,
    ImportPlan,
    ImportRefused,
    RowOutcome,
    State,
    one_at_a_time,
)
from shop.models import CatalogueUpload, Product, ProductKind, ProductRating, StaffMember
from shop.services import events
from shop.services.products import change_of_product, ratings_of
from shop.wording import quantity


@dataclass
class Outcome(RowOutcome[Product]):
    """What one row would do to the catalogue."""

    kind: str = ""
    instance: Product | None = None
    ratings: Ratings = field(default_factory=dict)
    old_ratings: Ratings = field(default_factory=dict)

    @property
    def kind_label(self) -> str:
        return ProductKind(self.kind).label if self.kind else ""

    @property
    def can_update(self) -> bool:
        """A product keeps its kind, so only one of the same kind can be brought up to date."""
        return self.alike is not None and self.alike.kind == self.kind

    @property
    def missing(self) -> list[str]:
        """Figures the sums still need after this row, when it adds or changes a product."""
        if self.instance is None or self.state == State.SAME:
            return []
        return self.instance.missing_with(bool(self.ratings))

    def fail(self, *errors: str) -> "Outcome":
        self.errors += errors
        self.state = State.WRONG
        return self


# One row -----------------------------------------------------------------------------------------


class _RowForm(ProductForm):
    """The product's form; that no two are the same the reader sees to, without a query a row."""

    def _get_validation_exclusions(self) -> set[str]:
        return {*super()._get_validation_exclusions(), "part_number"}  # type: ignore[misc]  # not in stubs


class _Reader:
    """Turns the rows of one upload into outcomes."""

    def __init__(self, upload: CatalogueUpload, choices: Mapping[int, Choice]) -> None:
        self.upload = upload
        self.choices = choices
        self.catalogue = Catalogue()
        self.places = {key: at for at, key in enumerate(upload.columns) if key}
        self.row_of_words: dict[tuple[str, str, str], int] = {}
        self.row_of_product: dict[int, int] = {}

    def read(self, row: Row) -> Outcome:
        """What one row would do."""
        words = Words(*(self._cell(row, key) for key in ("maker", "name", "part_number")))
        product, alike, why = self.catalogue.find(words)
        title = str(product) if product else words.title
        outcome = Outcome(row.number, title, record=product, alike=alike, why=why)
        self._find_kind(outcome, row)
        if product is None and not (words.maker and words.name):
            outcome.fail(_who_is_missing(words))
        if outcome.errors:
            return outcome
        target = product
        if alike is not None:
            outcome.state = State.ALIKE
            outcome.choice = self.choices.get(row.number, Choice.LEAVE)
            target = alike if outcome.can_update else None
        self._fill(outcome, row, target)
        if outcome.choice == Choice.ADD and target is not None and not outcome.errors:
            shown = outcome.changes
            self._fill(outcome, row, None)
            outcome.changes, target = shown, None
        taken = target if outcome.writes else product
        earlier = self._row_above(words, taken, row.number)
        if earlier is not None:
            outcome.fail(f"Row {earlier} is the same product: keep one of the two.")
        return outcome

    def _cell(self, row: Row, key: str) -> str:
        place = self.places.get(key)
        return "" if place is None else row.cells[place]

    def _find_kind(self, outcome: Outcome, row: Row) -> None:
        product, stated = outcome.record, self._cell(row, KIND)
        try:
            kind = str(read_cell(KIND, stated)) if stated else ""
        except WrongCell as error:
            outcome.fail(f"Kind: {error}")
            return
        outcome.kind = kind or (product.kind if product else self.upload.kind)
        if not outcome.kind:
            outcome.fail("Kind: say what this is, in a column Kind or one step back.")
        elif product is not None and product.kind != outcome.kind:
            outcome.fail(
                f"Kind: the catalogue has this as {product.get_kind_display().lower()}, and a "
                "product keeps its kind."
            )

    def _row_above(self, words: Words, product: Product | None, number: int) -> int | None:
        """The row above that speaks of the same product; when there is none, this one does."""
        earlier = self.row_of_words.setdefault(words.plain, number)
        if product is not None and earlier == number:
            earlier = self.row_of_product.setdefault(product.pk, number)
        return None if earlier == number else earlier

    def _fill(self, outcome: Outcome, row: Row, target: Product | None) -> None:
        """Put the cells into the product's form and say what they change."""
        counted = counted_for(outcome.kind)
        standing = target or Product(kind=outcome.kind)
        values = {name: getattr(standing, name) for name in counted}
        old_ratings = ratings_of(target) if target else {}
        ratings = dict(old_ratings)
        for key in self.places:
            text = self._cell(row, key)
            rating = rating_of(key)
            if key == KIND or not (text or self.upload.clear_empty):
                continue
            if key not in counted and not (rating and outcome.kind == ProductKind.AMPLIFIER):
                if text:
                    outcome.notes.append(
                        f"{heading_of(key)} does not count for this kind: left out."
                    )
                continue
            try:
                value = read_cell(key, text, self.upload.decimal_comma) if text else None
            except WrongCell as error:
                outcome.fail(f"{heading_of(key)}: {error}")
                continue
            if rating:
                self._rate(outcome, ratings, rating, value)
            elif text:
                values[key] = _as_it_stands(values[key], value)
            elif key not in ("maker", "name"):
                values[key] = _emptied(key)
        form = _RowForm(values, instance=copy(standing), kind=outcome.kind)
        if not form.is_valid():
            outcome.fail(*_said(form))
        if outcome.errors:
            return
        outcome.instance, outcome.ratings, outcome.old_ratings = form.instance, ratings, old_ratings
        outcome.changes = _changes(target, form, ratings, old_ratings)
        if outcome.state != State.ALIKE and target is not None:
            outcome.state = State.CHANGED if outcome.changes else State.SAME

    def _rate(
        self, outcome: Outcome, ratings: Ratings, rating: tuple[float, bool], value: Any
    ) -> None:
        load_ohm, bridged = rating
        if value is None:
            ratings.pop(rating, None)
            return
        rated = ProductRating(load_ohm=load_ohm, power_w=float(value), bridged=bridged)
        try:
            rated.clean_fields(exclude=["product"])
        except ValidationError as error:
            outcome.fail(f"{rated}: {' '.join(error.messages)}")
        else:
            ratings[rating] = rated.power_w


def _who_is_missing(words: Words) -> str:
    if words.number and not (words.maker or words.name):
        return f"No one product has part number {words.number}: give maker and name to add it."
    return "Give maker and name, or the part number of a product in the catalogue."


def _as_it_stands(old: Any, new: Any) -> Any:
    """A text that differs from the old one in its line ends alone stays as it was."""
    if isinstance(old, str) and isinstance(new, str) and old.split() == new.split():
        same = old.replace("\r\n", "\n") == new.replace("\r\n", "\n")
        return old if same else new
    return new


def _emptied(name: str) -> Any:
    field_emptied = field_of(name)
    assert field_emptied is not None
    if isinstance(field_emptied, models.BooleanField) or field_emptied.has_default():
        return field_emptied.get_default()
    return None


def _said(form: ProductForm) -> list[str]:
    texts = []
    for name, errors in form.errors.items():
        start = "" if name == "__all__" else f"{heading_of(name)}: "
        texts += [f"{start}{error}" for error in errors]
    return texts


def _changes(
    before: Product | None, form: ProductForm, ratings: Ratings, old_ratings: Ratings
) -> list[Change]:
    """Each figure that differs; of a new product, each that is given."""
    after, changes = form.instance, []
    blank = Product(kind=after.kind)
    for name in form.fields:
        old = getattr(before or blank, name)
        if old != getattr(after, name):
            was = shown_figure(before, name) if before else ""
            changes.append(Change(heading_of(name), was, shown_figure(after, name)))
    for load_ohm, bridged in sorted({*ratings, *old_ratings}):
        old_w, new_w = old_ratings.get((load_ohm, bridged)), ratings.get((load_ohm, bridged))
        if old_w != new_w:
            label = rating_label(load_ohm, bridged)
            changes.append(Change(label, _watts(old_w) if before else "", _watts(new_w)))
    return changes


def _watts(power_w: float | None) -> str:
    return "Not given" if power_w is None else quantity(power_w, "W", figures=10)


# The whole file ----------------------------------------------------------------------------------


def plan_import(
    upload: CatalogueUpload, choices: Mapping[int, Choice] | None = None
) -> ImportPlan[Outcome]:
    """What the file would do; nothing is written. `choices` are by row number."""
    sheet = msgspec.convert(upload.sheet, Table)
    reader = _Reader(upload, choices or {})
    return ImportPlan([reader.read(row) for row in sheet.rows])


@transaction.atomic
def apply_import(
    upload: CatalogueUpload, choices: Mapping[int, Choice], digest: str
) -> tuple[int, int]:
    """Write the whole file, as it was shown: how many products are added, how many changed.

    Raises ImportRefused, and writes nothing, when a row is wrong or the catalogue is no longer what
    the person looked at.
    """
    one_at_a_time()
    plan = plan_import(upload, choices)
    plan.refuse_unless_shown(digest, "The catalogue has")
    wanted = [one for one in plan.outcomes if one.writes]
    products = [one.instance for one in wanted if one.instance is not None]
    new = [product for product in products if product.pk is None]
    keys = [product.pk for product in products if product.pk is not None]
    standing = Product.objects.select_for_update().in_bulk(keys)
    try:
        for product in products:
            if product.pk is not None:
                product.save()
        Product.objects.bulk_create(new)
    except IntegrityError as error:
        raise ImportRefused(
            gettext("Nothing was imported: two rows are the same product. Look through them again.")
        ) from error
    _write_ratings(wanted)
    _log_import(upload, wanted, standing, added=len(new))
    upload.delete()
    return len(new), len(wanted) - len(new)


@transaction.atomic
def import_rows(
    rows: Sequence[Mapping[str, Cell]], by: StaffMember, *, kind: str, alike: Choice, write: bool
) -> ImportPlan[Outcome]:
    """Bring rows in, each by the headings of a file; without `write`, and when a row is wrong, only
    say what would be done. Gives what each row does. Raises ImportRefused.

    `alike` is chosen for every row that looks like a product without being it.
    """
    headings = list(dict.fromkeys(heading for row in rows for heading in row))
    cells = ([as_cell_text(row.get(heading)) for heading in headings] for row in rows)
    try:
        table = table_of(headings, cells)
    except UnreadableFile as error:
        raise ImportRefused(str(error)) from None
    columns = guesses(table.headings)
    if unknown := [
        heading for heading, key in zip(table.headings, columns, strict=True) if not key
    ]:
        raise ImportRefused(
            gettext("No figure is called “%(heading)s”: use the headings of the file of products.")
            % {"heading": unknown[0][:40]}
        )
    upload = CatalogueUpload.objects.create(
        by=by,
        file_name=gettext("Rows of a program"),
        sheet=msgspec.to_builtins(table),
        columns=columns,
        kind=kind or likely_kind(columns),
    )
    choices = {row.number: alike for row in table.rows}
    plan = plan_import(upload, choices)
    if write and not plan.of(State.WRONG):
        apply_import(upload, choices, plan.digest)
    else:
        upload.delete()
    return plan


def _log_import(
    upload: CatalogueUpload, outcomes: list[Outcome], standing: Mapping[int, Product], added: int
) -> None:
    """One event for the file, and as part of it one for each product that it wrote."""
    counts = {"added": added, "changed": len(outcomes) - added}
    imported = events.log(upload.by, "catalogue.imported", upload, after=counts)
    changes = [
        change_of_product(standing.get(one.instance.pk), one.instance, one.old_ratings, one.ratings)
        for one in outcomes
        if one.instance is not None
    ]
    events.log_each(upload.by, filter(None, changes), part_of=imported)


def _write_ratings(outcomes: list[Outcome]) -> None:
    changed = []
    for one in outcomes:
        for load_ohm, bridged in one.old_ratings.keys() - one.ratings.keys():
            ProductRating.objects.filter(
                product=one.instance, load_ohm=load_ohm, bridged=bridged
            ).delete()
        for (load_ohm, bridged), power_w in one.ratings.items():
            if one.old_ratings.get((load_ohm, bridged)) != power_w:
                changed.append(
                    ProductRating(
                        product=one.instance, load_ohm=load_ohm, bridged=bridged, power_w=power_w
                    )
                )
    ProductRating.objects.bulk_create(
        changed,
        update_conflicts=True,
        unique_fields=["product", "load_ohm", "bridged"],
        update_fields=["power_w"],
    )
