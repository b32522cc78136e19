"""Products from a file: looked through first, then all or nothing; hostile files do no harm."""

import csv
import io
import math
import zipfile
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings, strategies as st
from openpyxl import Workbook, load_workbook

from shop.catalogue.columns import (
    WrongCell,
    columns_for,
    counted_for,
    guess,
    guesses,
    heading_of,
    likely_kind,
    read_number,
)
from shop.catalogue.export import export_file, template_file
from shop.catalogue.import_file import State, apply_import, plan_import
from shop.catalogue.product_forms import ProductForm
from shop.catalogue.spreadsheets import MOST_ROWS, UnreadableFile, read_table
from shop.models import CatalogueUpload, Product, ProductKind, ProductRating
from shop.models.catalogue_upload import KEPT
from shop.roles import Role
from tests.factories import make_product, make_staff

HEADINGS = "Kind;Maker;Name;Part number;Channels;Efficiency;W at 4 ohm;W bridged at 4 ohm;Cost"
GOOD = f"{HEADINGS}\nAmplifier;Tarnholt;Eight;TH-8;8;0,82;75;;310,50\n"


@pytest.fixture
def manager(client: Client, db: None) -> Client:
    client.force_login(make_staff(Role.MANAGER))
    return client


def upload(client: Client, data: str | bytes, name: str = "list.csv") -> int:
    """Send a file as the page does and take the guessed columns; the key of what waits."""
    content = data.encode() if isinstance(data, str) else data
    answer = client.post(reverse("product_import"), {"file": SimpleUploadedFile(name, content)})
    assert answer.status_code == 302, answer.context["form"].errors
    form = client.get(answer["Location"]).context["form"]
    posted = {field: form[field].value() or "" for field in form.fields}
    assert client.post(answer["Location"], posted).status_code == 302
    return CatalogueUpload.objects.latest("pk").pk


def preview(client: Client, pk: int) -> Any:
    return client.get(reverse("product_import_preview", args=[pk]))


def confirm(client: Client, pk: int, **choices: str) -> Any:
    digest = preview(client, pk).context["digest"]
    return client.post(reverse("product_import_apply", args=[pk]), {"digest": digest, **choices})


def test_a_file_is_looked_through_without_a_change_and_then_imported(manager: Client) -> None:
    pk = upload(manager, GOOD)
    page = preview(manager, pk)
    assert page.context["writes"] == 1
    assert not Product.objects.exists()

    confirm(manager, pk)
    product = Product.objects.get()
    assert (product.kind, product.amplifier_channels, product.efficiency, product.cost) == (
        ProductKind.AMPLIFIER, 8, 0.82, Decimal("310.50"),
    )  # fmt: skip
    assert [str(rating) for rating in product.ratings.all()] == ["75\u00a0W into 4\u00a0Ω"]
    assert not CatalogueUpload.objects.exists()


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("Amplifier;Tarnholt;Ten;TH-10;10;1,4;90;;", "less than or equal to 1"),
        ("Amplifier;Tarnholt;Ten;TH-10;ten;0,8;90;;", "“ten” is no number"),
        ("Amplifier;Tarnholt;Ten;TH-10;10;0,8;-90;;", "greater than or equal to"),
        ("Amplifier;Tarnholt;Ten;TH-10;10;0,8;1e999;;", "less than or equal to 20000"),
        ("Lamp;Tarnholt;Ten;TH-10;10;0,8;90;;", "is none of Amplifier"),
        ("Amplifier;;Ten;TH-10;10;0,8;90;;", "Give maker and name"),
        ("Amplifier;tarnholt;EIGHT;th-8;8;0,8;90;;", "Row 2 is the same product"),
        (f"Amplifier;Tarnholt;{'x' * 81};;8;0,8;90;;", "at most 80 characters"),
    ],
)
def test_one_wrong_row_is_said_and_nothing_is_imported(
    manager: Client, row: str, said: str
) -> None:
    pk = upload(manager, GOOD + row + "\n")
    assert said in preview(manager, pk).content.decode()
    answer = confirm(manager, pk)
    assert answer.status_code == 409
    assert "Nothing was imported: row 3" in answer.content.decode()
    assert not Product.objects.exists()


def test_a_failure_half_way_leaves_nothing(
    manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_product(maker="Tarnholt", name="Eight", part_number="TH-8", efficiency=0.5)
    pk = upload(manager, f"{GOOD}Amplifier;Tarnholt;Ten;TH-10;10;0,8;90;;\n")

    def fail(*args: Any, **kwargs: Any) -> None:
        raise RuntimeError

    monkeypatch.setattr(ProductRating.objects, "bulk_create", fail)
    found = CatalogueUpload.objects.get(pk=pk)
    with pytest.raises(RuntimeError), transaction.atomic():
        apply_import(found, {}, plan_import(found).digest)
    assert Product.objects.get().efficiency == 0.5
    assert CatalogueUpload.objects.exists()


def test_a_known_product_shows_old_and_new_and_keeps_what_the_file_leaves_empty(
    manager: Client,
) -> None:
    product = make_product(
        maker="Tarn holt", name="eight", part_number="", efficiency=0.7, note="Keep me",
        amplifier_channels=8, ratings=[(4, 60, False), (2, 100, False)],
    )  # fmt: skip
    pk = upload(manager, GOOD)
    (outcome,) = plan_import(CatalogueUpload.objects.get(pk=pk)).outcomes
    assert outcome.state == State.CHANGED
    shown = {change.label: (change.old, change.new) for change in outcome.changes}
    assert shown["Efficiency at full output, 0–1"] == ("0.7", "0.82")
    assert shown["Power into 4\u00a0Ω"] == ("60\u00a0W", "75\u00a0W")
    confirm(manager, pk)
    product.refresh_from_db()
    assert (product.efficiency, product.note, product.part_number) == (0.82, "Keep me", "TH-8")
    assert {(r.load_ohm, r.power_w) for r in product.ratings.all()} == {(4, 75), (2, 100)}


@pytest.mark.parametrize(
    ("choice", "names"),
    [
        ("leave", ["Old Eight"]),
        ("update", ["Eight"]),
        ("add", ["Eight", "Old Eight"]),
    ],
)
def test_a_likely_duplicate_is_left_out_unless_the_manager_chooses(
    manager: Client, choice: str, names: list[str]
) -> None:
    make_product(maker="Tarnholt", name="Old Eight", part_number="th- 8")
    pk = upload(manager, GOOD)
    assert "Same part number, but called" in preview(manager, pk).content.decode()
    confirm(manager, pk, row_2=choice)
    assert sorted(Product.objects.values_list("name", flat=True)) == names


def test_a_price_list_by_part_number_brings_prices_up_to_date(manager: Client) -> None:
    product = make_product(part_number="TH-8", price=Decimal("1.00"))
    pk = upload(manager, "SKU\tRetail price\nTH-8\t£1,249.00\n")
    confirm(manager, pk)
    product.refresh_from_db()
    assert product.price == Decimal("1249.00")


def test_what_was_looked_through_is_what_is_imported(manager: Client) -> None:
    pk = upload(manager, GOOD)
    digest = preview(manager, pk).context["digest"]
    make_product(maker="Tarnholt", name="Eight", part_number="TH-8")
    answer = manager.post(reverse("product_import_apply", args=[pk]), {"digest": digest})
    assert answer.status_code == 409
    assert Product.objects.get().efficiency == 0.8


def test_a_waiting_file_is_its_owners_alone_and_goes_after_a_day(manager: Client) -> None:
    pk = upload(manager, GOOD)
    other = Client()
    other.force_login(make_staff(Role.MANAGER))
    url = reverse("product_import_preview", args=[pk])
    assert other.get(url)["Location"] == reverse("product_import")
    CatalogueUpload.objects.update(uploaded_at=CatalogueUpload.objects.get().uploaded_at - KEPT)
    assert manager.get(url)["Location"] == reverse("product_import")
    upload(manager, GOOD)
    assert CatalogueUpload.objects.count() == 1


# Columns and cells -----------------------------------------------------------------------------


def test_every_column_we_write_is_known_again() -> None:
    columns = columns_for("", [(4.0, False), (2.0, False), (4.0, True), (0.5, False)])
    assert guesses([heading_of(key) for key in columns]) == columns


@pytest.mark.parametrize(
    ("heading", "key"),
    [
        ("Brand", "maker"),
        ("RMS power @ 2 Ω", "rating:2"),
        ("Watts bridged, 4 Ohms", "rating:4:bridged"),
        ("Min. impedance (ohm)", "min_load_ohm"),
        ("Colour", ""),
    ],
)
def test_headings_of_other_lists(heading: str, key: str) -> None:
    assert guess(heading) == key


@pytest.mark.parametrize("kind", [k for k in ProductKind.values if k != ProductKind.OTHER])
def test_a_template_holds_the_figures_of_its_kind(kind: str) -> None:
    for form in ("csv", "xlsx"):
        with pytest.raises(UnreadableFile, match="no rows"):
            read_table(template_file(kind, form))
    (headings,) = csv.reader([template_file(kind, "csv").decode("utf-8-sig").strip()])
    keys = set(map(guess, headings))
    assert counted_for(kind) <= keys
    assert likely_kind(keys) in {kind, ""}


@pytest.mark.parametrize(
    ("text", "comma", "number"),
    [
        ("0,125", False, 0.125),
        ("1,234", False, 1234),
        ("1,234.5", False, 1234.5),
        ("1.234", True, 1234),
        ("1.234,5", True, 1234.5),
        ("0.8", True, 0.8),
        ("12 345,6", True, 12345.6),
        ("4 Ω", False, 4),
    ],
)
def test_numbers_as_people_write_them(text: str, comma: bool, number: float) -> None:
    assert float(read_number(text, comma)) == number


@pytest.mark.parametrize("text", ["", "four", "1,2,3", "1.2.3", "--1", "0x10", "nan", "inf", "٤"])
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(WrongCell):
        read_number(text)


# Round trip ------------------------------------------------------------------------------------

WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Z"]) | st.sampled_from(" =+-@'\",;"),
    min_size=1,
    max_size=20,
).filter(lambda text: text == text.strip() and not text.isspace())


def figures(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers of up to 15 digits, which is what a spreadsheet keeps of one."""
    return st.floats(low, high).map(lambda value: float(f"{value:.15g}"))


NUMBERS = {
    "price": st.decimals(0, 9_999_999, places=2), "cost": st.decimals(0, 9_999_999, places=2),
    "efficiency": figures(0.05, 1), "min_load_ohm": figures(0.1, 100),
    "idle_current_a": figures(0, 100), "impedance_ohm": figures(0.1, 100),
    "power_w": figures(0.1, 20_000), "delay_step_ms": figures(0.0001, 10),
    "amplifier_channels": st.integers(0, 32), "line_outputs": st.integers(0, 32),
    "max_sections": st.integers(0, 64), "coils": st.integers(1, 2),
    "fuse_rating_a": figures(0.1, 1000),
}  # fmt: skip
TEXTS = {
    "note": WORDS, "cable_size": st.sampled_from(["4 AWG", "25 mm2"]), "fuse_body": WORDS,
    "speaker_kind": st.sampled_from(["tweeter", "full_range"]), "discontinued": st.booleans(),
    "turn_on": st.sampled_from(["remote_wire", "signal_sense", "not_needed"]),
    "cable_metal": st.sampled_from(["", "copper", "copper_clad_aluminium"]),
}  # fmt: skip
RATINGS = st.dictionaries(
    st.tuples(figures(0.1, 100), st.booleans()), figures(0.1, 5000), max_size=4
)


@st.composite
def products(draw: st.DrawFn) -> tuple[Product, dict[tuple[float, bool], float]]:
    """A product as its form would leave it, with ratings when it is an amplifier."""
    kind = draw(st.sampled_from(ProductKind.values))
    product = Product(kind=kind, maker=draw(WORDS), name=draw(WORDS), part_number=draw(WORDS))
    ProductForm(instance=product, kind=kind)
    for name, values in {**NUMBERS, **TEXTS}.items():
        if name in counted_for(kind):
            setattr(product, name, draw(values))
    return product, draw(RATINGS) if kind == ProductKind.AMPLIFIER else {}


HOSTILE = st.sampled_from(
    (
        "", "1e999", "1e308", "1e-400", "-0", "-1", "1e999%", "50%", "%", "٤", "²", "9" * 400,
        "nan", "Infinity", "1 000,5", "1.000.000", "4 Ω", "1+2", "1+²", "2+1", "3+99999999999",
        "=1+1", "\u202ename", "'", "yes", "Yes", "Amplifier", "cable", "no", "a" * 300, "Tarnholt",
        "0.5", "4", "25 mm2", "copper", "\n", "🎛", "true", "$ 12", "12.345", "1e8",
    )
)  # fmt: skip


@pytest.mark.django_db
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), kind=st.sampled_from(["", *ProductKind.values]), comma=st.booleans())
def test_rows_of_hostile_cells_are_taken_or_said_to_be_wrong(
    data: st.DataObject, kind: str, comma: bool
) -> None:
    known = columns_for("", [(4.0, False), (0.5, True)])
    columns = data.draw(st.lists(st.sampled_from(known), min_size=1, max_size=12, unique=True))
    if data.draw(st.booleans()):
        columns = [*dict.fromkeys(["maker", "name", *columns])]
    cell = HOSTILE | st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12)
    size = len(columns)
    rows = data.draw(st.lists(st.lists(cell, min_size=size, max_size=size), min_size=1, max_size=3))
    table = [{"number": place, "cells": cells} for place, cells in enumerate(rows, 2)]
    upload = CatalogueUpload(
        by=make_staff(Role.MANAGER), file_name="x.csv", columns=columns, kind=kind,
        sheet={"headings": columns, "rows": table}, decimal_comma=comma,
    )  # fmt: skip
    with transaction.atomic():
        upload.save()
        plan = plan_import(upload)
        assert len(plan.outcomes) == len(rows)
        assert all(one.errors for one in plan.of(State.WRONG))
        if not plan.of(State.WRONG):
            apply_import(upload, {}, plan.digest)
        for product in Product.objects.all():
            figures = [getattr(product, field.name) for field in Product._meta.fields]
            figures += product.ratings.values_list("power_w", flat=True)
            assert all(math.isfinite(one) for one in figures if isinstance(one, float))
            Product.objects.get(pk=product.pk).full_clean()
        transaction.set_rollback(True)


def _all() -> list[Any]:
    rows = []
    for product in Product.objects.prefetch_related("ratings").order_by("pk"):
        figures = {f.name: getattr(product, f.name) for f in Product._meta.fields if f.name != "id"}
        ratings = {(r.load_ohm, r.bridged): r.power_w for r in product.ratings.all()}
        rows.append((sorted(figures.items(), key=str), sorted(ratings.items())))
    return sorted(rows, key=str)


@pytest.mark.once
@pytest.mark.django_db
@pytest.mark.parametrize("form", ["csv", "xlsx"])
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wanted=st.lists(products(), min_size=1, max_size=4))
def test_out_and_in_again_is_the_same_catalogue(form: str, wanted: list[Any]) -> None:
    with transaction.atomic():
        for place, (product, ratings) in enumerate(wanted):
            product.pk, product.name = None, f"{product.name} {place}"
            product.save()
            for (load_ohm, bridged), power_w in ratings.items():
                product.ratings.create(load_ohm=load_ohm, bridged=bridged, power_w=power_w)
        before = _all()
        sheet = read_table(export_file("", form))
        waiting = CatalogueUpload.objects.create(
            by=make_staff(Role.MANAGER),
            file_name="catalogue",
            sheet={
                "headings": sheet.headings,
                "rows": [{"number": row.number, "cells": row.cells} for row in sheet.rows],
            },
            columns=guesses(sheet.headings),
        )
        changes = [change for one in plan_import(waiting).outcomes for change in one.changes]
        assert changes == []
        Product.objects.all().delete()
        plan = plan_import(waiting)
        assert [one.errors for one in plan.outcomes if one.errors] == []
        apply_import(waiting, {}, plan.digest)
        assert _all() == before
        transaction.set_rollback(True)


# Hostile files ---------------------------------------------------------------------------------


def _xlsx(rows: list[list[Any]]) -> bytes:
    book, out = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue()


def _bomb() -> bytes:
    """A small archive whose one sheet unpacks to 200 MB."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 200 * 1024**2)
    return out.getvalue()


def _entities() -> bytes:
    """A worksheet whose entities multiply a thousandfold at each of nine levels."""
    levels = "".join(
        f'<!ENTITY e{n} "{f"&e{n - 1};" * 100 if n else "ha" * 100}">' for n in range(9)
    )
    inside = io.BytesIO(_xlsx([["Maker", "Name"], ["Tarnholt", "Six"]]))
    out = io.BytesIO()
    with zipfile.ZipFile(inside) as good, zipfile.ZipFile(out, "w") as bad:
        for part in good.namelist():
            data = good.read(part)
            if part == "xl/worksheets/sheet1.xml":
                data = (
                    f"<?xml version='1.0'?><!DOCTYPE worksheet [{levels}]>".encode()
                    + data.split(b"?>")[-1].replace(b"</worksheet>", b"&e8;</worksheet>")
                )
            bad.writestr(part, data)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (_bomb, "unpacks to more"),
        (_entities, "cannot be read"),
        (b"PK\x03\x04 no archive", "damaged"),
        (b"\xd0\xcf\x11\xe0 old", "old .xls"),
        (b"Maker;Name\n" + b"x" * (2 * 1024**2 + 1), "larger than 2 MB"),
        (b"Maker,Name\n" + b"a,b\n" * (MOST_ROWS + 1), f"more than {MOST_ROWS} rows"),
        (b",".join([b"Maker"] * 130) + b"\nx\n", "more than 120 columns"),
        (b"Maker,Name\na,b,c\n", "Row 2 has more cells"),
        (b"Maker\x00,Name\na,b\n", "neither text nor"),
        (b"", "empty"),
        (b"Maker,Name\n", "no rows"),
        (b'Maker,Name\na,"' + b"b" * 200_000 + b'"\n', "field larger"),
    ],
)
def test_a_file_that_cannot_be_a_product_list_is_refused_and_said(
    manager: Client, data: bytes | Callable[[], bytes], said: str
) -> None:
    file = SimpleUploadedFile("x.xlsx", data() if callable(data) else data)
    answer = manager.post(reverse("product_import"), {"file": file})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not CatalogueUpload.objects.exists()


def test_a_sheet_that_claims_a_million_rows_is_cut_short() -> None:
    book, out = Workbook(), io.BytesIO()
    book.active.append(["Maker", "Name"])
    book.active.cell(row=1_048_576, column=16_384, value="far")
    book.save(out)
    with pytest.raises(UnreadableFile, match="goes on below row"):
        read_table(out.getvalue())


def test_a_formula_is_read_as_the_value_it_had() -> None:
    inside, out = io.BytesIO(_xlsx([["Maker", "Name"], ["Tarnholt", "=1+1"]])), io.BytesIO()
    with zipfile.ZipFile(inside) as good, zipfile.ZipFile(out, "w") as calculated:
        for part in good.namelist():
            data = good.read(part).replace(b"<f>1+1</f><v></v>", b"<f>1+1</f><v>2</v>")
            calculated.writestr(part, data.replace(b"<f>1+1</f><v />", b"<f>1+1</f><v>2</v>"))
    assert read_table(out.getvalue()).rows[0].cells == ("Tarnholt", "2")


@pytest.mark.django_db
def test_an_export_holds_no_formula() -> None:
    make_product(maker="=1+1", name="@SUM(A1)", part_number="-2", note="+x")
    cells = export_file("", "csv").decode("utf-8-sig").splitlines()[1].split(",")
    assert [cell for cell in cells if cell[:1] in "=+-@" and cell] == []
    book = load_workbook(io.BytesIO(export_file("", "xlsx")))
    assert "f" not in {cell.data_type for row in book.active for cell in row}
