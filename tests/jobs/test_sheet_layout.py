"""How the three papers are laid out: letters that can be read, pages that are used, tables, and
what each page looked like when somebody last looked at it."""

import io
from math import hypot
from typing import Any

import pypdfium2 as pdfium
import pypdfium2.raw as raw
import pytest

from jobs import wording
from jobs.sheet import document as sheet_document, render
from jobs.sheet.arrival_values import arrival_halves
from jobs.wording import Local
from tests import golden_pages
from tests.factories import make_shop
from tests.jobs.test_sheet_pdf import words
from tests.jobs.test_wiring_sheet import ARABIC, LONG, crowded, plain
from tests.jobs.workshop import Workshop

pytestmark = [pytest.mark.django_db, pytest.mark.paper, pytest.mark.once]

SMALLEST_PT = 9.0
INTERNAL = ("from memory", "common practice", "SHA-256", "no source", "not recorded", "to review")


def paper(name: str, document: dict[str, Any]) -> bytes:
    html = {
        "sheet": render.sheet_html,
        "customer": render.customer_html,
        "wiring": render.wiring_html,
    }[name](document)
    return render.write_pdf(html, [])


def letters(pdf: bytes) -> list[list[tuple[str, float, float]]]:
    """Of each page its letters: which, how large [pt], how far above the foot [share]."""
    document = pdfium.PdfDocument(io.BytesIO(pdf))
    pages = []
    matrix = raw.FS_MATRIX()
    for at in range(len(document)):
        page = document[at]
        text = page.get_textpage()
        found = []
        for index in range(text.count_chars()):
            letter = chr(raw.FPDFText_GetUnicode(text, index))
            if letter.isspace():
                continue
            raw.FPDFText_GetMatrix(text, index, matrix)
            size = raw.FPDFText_GetFontSize(text, index) * hypot(matrix.c, matrix.d)
            found.append((letter, size, text.get_charbox(index)[1] / page.get_height()))
        pages.append(found)
    document.close()
    return pages


def assert_readable(pdf: bytes) -> None:
    for number, page in enumerate(letters(pdf), 1):
        small = "".join(letter for letter, size, _ in page if size < SMALLEST_PT - 0.05)
        assert not small, f"page {number} has small letters: {small[:60]}"


def assert_used(pdf: bytes) -> None:
    """Every page but the last is filled; the last is not a few lines."""
    pages = letters(pdf)
    for number, page in enumerate(pages, 1):
        lowest = min(bottom for _, _, bottom in page if bottom > 0.06)
        assert lowest < (0.62 if number == len(pages) else 0.4), f"page {number} is mostly empty"


@pytest.mark.parametrize(("name", "most"), [("sheet", 7), ("customer", 2), ("wiring", 5)])
def test_the_long_job(name: str, most: int) -> None:
    pdf = paper(name, golden_pages.record())
    assert len(letters(pdf)) <= most
    assert_readable(pdf)
    if name != "wiring":
        assert_used(pdf)


@pytest.fixture
def workshop() -> Workshop:
    make_shop(name="Lantern Lane Sound", units="metric", time_zone="America/Chicago")
    return Workshop()


def test_the_small_job(workshop: Workshop) -> None:
    document = workshop.sign(workshop.ready()).document
    sheet, customer = paper("sheet", document), paper("customer", document)
    assert len(letters(sheet)) <= 3
    assert len(letters(customer)) == 1
    for pdf in (sheet, customer, paper("wiring", document)):
        assert_readable(pdf)
    assert_used(sheet)
    assert [one for one in INTERNAL if one in words(customer)] == []


@pytest.mark.parametrize(
    ("proofs", "notes", "wanted"),
    [
        (0, 0, [(0, 0)]),
        (1, 0, [(0, 0), (1, 0)]),
        (0, 7, [(0, 1), (0, 6)]),
        (3, 4, [(1, 0), (2, 4)]),
        # What goes on from page to page does not stand beside each other.
        (1, 200, [(1, 200)]),
    ],
)
def test_what_stands_in_two_halves_stands_there_once_and_in_its_order(
    proofs: int, notes: int, wanted: list[tuple[int, int]]
) -> None:
    document = golden_pages.record()
    proof, note = document["fit_proofs"][0], document["notes"][0]
    document["fit_proofs"] = [{**proof, "note": f"P{at}"} for at in range(proofs)]
    document["notes"] = [{**note, "text": f"N{at}"} for at in range(notes)]
    halves = arrival_halves(document, Local("metric", "UTC"))
    assert [(len(half["proofs"]), len(half["notes"])) for half in halves] == wanted
    told = [one["note"] for half in halves for one in half["proofs"]]
    told += [one["text"] for half in halves for one in half["notes"]]
    assert told == [f"P{at}" for at in range(proofs)] + [f"N{at}" for at in range(notes)]
    assert [half["facts"] for half in halves] == [True, False][: len(halves)]
    assert sum(half["notes_begin"] for half in halves if half["notes"]) == bool(notes)


def test_a_crowded_job_with_long_and_foreign_names() -> None:
    document = crowded(golden_pages.record(), 2, 20)
    for one in document["plan"]["channels"]:
        document["results"]["channels"].setdefault(one["id"], {})
    for one in document["function_checks"][:5]:
        one["name"], one["after_note"] = ARABIC, LONG[:120]
    pdf = paper("sheet", document)
    assert_readable(pdf)
    pages = [plain(one) for one in texts(pdf)]
    for number in range(1, 21):
        assert any(f"SP2{number:02}" in page for page in pages)
    heads = [page for page in pages if "Plus wire" in page]
    rows = [
        page
        for page in pages
        if any(f"A{at}.{n} SP" in page for at in (1, 2) for n in range(1, 21))
    ]
    assert heads == rows, "a page of the table has lost its head"
    assert len(heads) > 1


def texts(pdf: bytes) -> list[str]:
    document = pdfium.PdfDocument(io.BytesIO(pdf))
    found = [document[at].get_textpage().get_text_range() for at in range(len(document))]
    document.close()
    return found


@pytest.mark.parametrize(("name", "beside"), [("sheet", "Cautions"), ("customer", "Good to know")])
def test_signatures_are_never_alone_on_a_page(name: str, beside: str) -> None:
    document = golden_pages.record()
    # However much stands before them, they take what belongs to them along.
    for count in (4, 9):
        document["job"]["wants"] = "More bass. " * 5 * count
        document["notes"] = [document["notes"][0]] * count
        (page,) = [one for one in texts(paper(name, document)) if "Reviewed and signed" in one]
        assert beside in page


def test_every_page_looks_as_it_did() -> None:
    """Where a page should look otherwise now: look at it, then python -m tests.golden_pages."""
    for name in golden_pages.PAPERS:
        now, before = golden_pages.drawn(name, golden_pages.record()), golden_pages.kept(name)
        assert len(now) == len(before), name
        for number, (one, other) in enumerate(zip(now, before, strict=True), 1):
            assert golden_pages.alike(one, other), (
                f"{name} page {number} differs by {golden_pages.difference(one, other)}"
            )


def test_a_wire_of_another_colour_or_a_line_more_would_be_seen() -> None:
    document = golden_pages.record()
    document["plan"]["channels"][0]["wire"]["positive"] |= {"base": "WH", "stripe": ""}
    now, before = golden_pages.drawn("wiring", document), golden_pages.kept("wiring")
    assert not all(map(golden_pages.alike, now, before))
    document = golden_pages.record()
    document["notes"].append(document["notes"][0])
    now, before = golden_pages.drawn("sheet", document), golden_pages.kept("sheet")
    assert not all(map(golden_pages.alike, now, before))


def test_every_figure_of_two_equal_amplifiers_stands_in_its_own_row(workshop: Workshop) -> None:
    make_shop(name="Lantern Lane Sound", units="metric", time_zone="America/Chicago")
    document = sheet_document.draft(sheet_document.load(pk=workshop.twins().pk))
    text = words(paper("sheet", document))
    local = Local("metric", "America/Chicago")
    plan, results = document["plan"], document["results"]
    power = text[text.index("May carry") : text.index("Calculated with the engine running")]
    for run in plan["runs"]:
        row = between(power, f"{run['id']} ", [f"{one['id']} " for one in plan["runs"]])
        full, music = (results["power"][which]["runs"][run["id"]] for which in ("full", "music"))
        for said in (
            wording.conductor(run),
            local.length(run["length_m"]),
            wording.quantity(abs(full["current_a"]), "A", 1),
            wording.quantity(abs(music["current_a"]), "A", 1),
            wording.quantity(abs(full["drop_v"]), "V", 2),
        ):
            assert plain(said) in row, f"{run['id']}: {said!r} is not in {row!r}"
    devices = power[power.index("Left for speakers") :]
    for device in plan["devices"]:
        row = between(devices, f"{device['id']} ", [f"{one['id']} " for one in plan["devices"]])
        draw = results["devices"][device["id"]]
        for said in (
            wording.quantity(draw["full_a"], "A", 1),
            wording.quantity(draw["voltage_v"], "V", 2),
            wording.quantity(draw["power_w"], "W", 0),
        ):
            assert plain(said) in row, f"{device['id']}: {said!r} is not in {row!r}"
    channels = text[text.index("Plus wire") : text.index("Colour codes are those")]
    used = [one for one in plan["channels"] if one.get("speakers")]
    assert len({results["channels"][one["id"]]["load_ohm"] for one in used}) == 2
    for channel in used:
        row = between(channels, f"{channel['id']} ", [f"{one['id']} " for one in used])
        result = results["channels"][channel["id"]]
        assert all(name in row for name in channel["speakers"])
        for said in (
            wording.quantity(result["load_ohm"], "Ω"),
            wording.quantity(result["power_w"], "W"),
        ):
            assert plain(said) in row, f"{channel['id']}: {said!r} is not in {row!r}"


def between(text: str, mark: str, marks: list[str]) -> str:
    """The text from a mark to the next of the marks."""
    begin = text.index(mark)
    ends = [text.find(one, begin + len(mark)) for one in marks]
    return text[begin : min((one for one in ends if one > 0), default=len(text))]
