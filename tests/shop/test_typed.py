"""Text from addresses and forms: nonsense is nothing, never a crash."""

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job, JobEvent
from shop.models import VehicleModel
from shop.models.products import pairs_in
from shop.roles import Role
from shop.typed import LARGEST, fraction, whole
from tests.factories import BayFactory, make_job, make_staff

NONSENSE = ("", "abc", "-1", "1.5", "²", "9" * 30, "1'--", "\x00")


@pytest.mark.parametrize("text", NONSENSE)
def test_what_is_no_whole_number(text: str) -> None:
    assert whole(text) is None


def test_whole_numbers() -> None:
    assert (whole(" 42 "), whole(str(LARGEST)), whole(None)) == (42, LARGEST, None)
    assert whole(str(LARGEST + 1)) is None


def test_fractions() -> None:
    assert (fraction("0"), fraction("0.25"), fraction("1")) == (0.0, 0.25, 1.0)
    assert [fraction(text) for text in ("", "nan", "inf", "-0.1", "1.01", "x", None)] == [None] * 7


def test_what_an_event_is_about() -> None:
    subjects = (
        "channel:12",
        "job",
        "mark:ab_1",
        "channel:²",
        f"channel:{LARGEST + 1}",
        "channel:0",
    )
    assert [JobEvent(subject=one).about for one in subjects] == [
        ("channel", 12), ("job", 0), ("mark", 0), ("channel", 0), ("channel", 0), ("channel", 0),
    ]  # fmt: skip


def test_raised_digits_are_no_numbers_to_search_or_to_bridge() -> None:
    assert "LIKE" in str(VehicleModel.objects.all().matching("²²²²").query)
    assert pairs_in("1+², 3+4") == ((3, 4),)


ROOT = Path(__file__).resolve().parents[2]
READERS = {"int", "float", "Decimal", "fromisoformat", "strptime", "loads"}
READ_ELSEWHERE = {
    "jobs/forms/bay/cells.py NumberField.to_python": "a form's field, after its own pattern",
    "jobs/forms/bay/cells.py WholeField.to_python": "a number already",
    "shop/catalogue/columns.py rating_of": "the name of a column, refused with None",
    "shop/catalogue/columns.py guess": "a heading, after its own pattern",
    "shop/catalogue/columns.py cell_of": "a figure of the database",
    "shop/catalogue/columns.py read_cell": "a cell, after read_number",
    "shop/catalogue/import_file.py _Reader._rate": "a cleaned value",
    "shop/catalogue/import_forms.py ColumnsForm.initial_of": "a bool of the database",
    "shop/catalogue/spreadsheets.py number_text": "a number written for a file",
    "shop/models/products.py fuses_in": "ratings, after its own pattern",
    "shop/models/labels.py LabelSheet.step_x_mm": "a figure of the database",
    "shop/models/labels.py LabelSheet.step_y_mm": "a figure of the database",
    "shop/views/accounts.py shut": "a length of time",
}
"""Where a number is made outside the one door, and what it is made of."""


def _made_in(source: str) -> Iterator[str]:
    """The functions of a module that read a number or a day from something themselves."""

    def walk(node: ast.AST, way: tuple[str, ...]) -> Iterator[str]:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            way = (*way, node.name)
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            if name in READERS and not all(isinstance(one, ast.Constant) for one in node.args):
                yield ".".join(way)
        for child in ast.iter_child_nodes(node):
            yield from walk(child, way)

    return walk(ast.parse(source), ())


def test_text_of_a_request_is_read_through_one_door() -> None:
    rooms = ("jobs/views", "jobs/forms", "jobs/models", "shop/views", "shop/forms",
             "shop/catalogue", "shop/models")  # fmt: skip
    files = [
        ROOT / "shop/paging.py",
        *(file for room in rooms for file in (ROOT / room).rglob("*.py")),
    ]
    found = {
        f"{file.relative_to(ROOT)} {where}"
        for file in files
        for where in _made_in(file.read_text())
    }
    assert found == set(READ_ELSEWHERE)
    assert list(_made_in("class A:\n def b(self): return int(request.GET['day'])")) == ["A.b"]


@pytest.mark.django_db
@pytest.mark.parametrize("text", NONSENSE)
def test_no_page_of_the_desk_breaks_on_nonsense(client: Client, text: str) -> None:
    client.force_login(make_staff(Role.FRONT_DESK, Role.MANAGER))
    BayFactory()
    job = make_job()
    names = ("customer", "vehicle", "vehicle_model", "comeback_of", "day", "bay", "who", "job",
             "starts_at_0", "starts_at_1", "ends_at_0", "ends_at_1", "q", "page", "seen",
             "customer_search", "vehicle_search", "model_search", "part_search", "vehicle-vin",
             "owner", "kind", "version", "odometer", "mark_kind", "mark_x", "mark_y",
             "mark_note", "product", "quantity", "part_product", "part_quantity",
             "reason")  # fmt: skip
    data: dict[str, Any] = dict.fromkeys(names, text)
    pages = (
        "board", "find", "book", "customer_options", "customer_pick", "vehicle_options",
        "vehicle_pick", "model_options", "model_pick", "part_options", "bay_day", "vin_report",
        "customer_list", "vehicle_list", "vehicle_create", "vehicle_model_list", "product_list",
    )  # fmt: skip
    for name in pages:
        assert client.get(reverse(name), data).status_code in {200, 404}, name
    posts = [("book", []), *((name, [job.number]) for name in ("job_edit", "check_in", "part_add"))]
    for name, args in posts:
        assert client.post(reverse(name, args=args), data).status_code in {302, 404, 422}, name
    assert Job.objects.count() == 1
