"""The wiring sheet draws what the frozen record says: every wire once, no word on another."""

import io
from collections.abc import Mapping
from itertools import combinations
from pathlib import Path
from typing import Any

import pypdfium2 as pdfium
import pytest
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from jobs.sheet import document as sheet_document, render
from jobs.sheet.verify import verify
from jobs.sheet.wiring.canvas import SMALL, Canvas
from jobs.sheet.wiring.letters import width_of, wrapped
from jobs.sheet.wiring.nodes import installation
from jobs.sheet.wiring.paper import drawings
from shop.models import PlugCavity, PlugTable
from tests.factories import make_shop
from tests.jobs.test_sheet_pdf import words
from tests.jobs.workshop import Workshop

pytestmark = [pytest.mark.django_db, pytest.mark.once]

LONG = (
    "Fenwick & Daughters' own five-band rear-shelf processor, second series, left-hand drive " * 2
)
ARABIC = "مضخم الصوت الخلفي الأيسر مع قابس طويل جدا وأسلاك ملونة"
GREEK = "Ενισχυτής εξακάναλος για πίσω ράφι"
NAMES = (LONG[:200], ARABIC, GREEK, "Wren")
COLOURS = ("RD", "BK", "GNYE", "", "VT")


@pytest.fixture
def workshop() -> Workshop:
    make_shop(name="Lantern Lane Sound", units="metric", time_zone="America/Chicago")
    return Workshop()


def plain(said: str) -> str:
    """Any run of spaces, of whatever kind, as one."""
    return " ".join(said.split())


def lie_apart(canvas: Canvas) -> None:
    """No words on others, none outside the page."""
    for one in canvas.words:
        assert one.left >= -0.01, one
        assert one.right <= canvas.width + 0.01, one
        assert one.top >= -1.5, one
        assert one.bottom <= canvas.height + 0.01, one
    for one, other in combinations(canvas.words, 2):
        across = min(one.right, other.right) - max(one.left, other.left)
        down = min(one.bottom, other.bottom) - max(one.top, other.top)
        # The room of a line has leading above its letters: lines of one text may share that.
        assert across <= 0.1 or down <= 0.12 * SMALL, f"{one} lies on {other}"
    for one in canvas.words:
        for left, top, right, bottom in canvas.boxes:
            beside = one.right <= left + 0.1 or one.left >= right - 0.1
            apart = one.bottom <= top + 2.3 or one.top >= bottom - 0.2 * SMALL
            inside = one.left >= left and one.right <= right
            assert beside or apart or inside, f"{one} lies across the edge of {left, top, right}"


def run(name: str, kind: str, near: str, far: str, **more: Any) -> dict[str, Any]:
    return {
        "id": name,
        "kind": kind,
        "from_node": near,
        "to_node": far,
        "conductor": {"size": "16 mm2"},
        "length_m": 2.5,
        **more,
    }


def crowded(document: Mapping[str, Any], devices: int, channels: int) -> dict[str, Any]:
    """The document with so many devices of so many channels, of every kind of name, in chains."""
    fuse = {"rating_a": 80.0, "body": "a fuse with a long body name..", "distance_m": 0.3}
    plan: dict[str, Any] = {
        "devices": [], "speakers": [], "channels": [], "supply": {"battery_ah": 70.0},
        "runs": [
            run("R0", "feed", "battery", "block behind the left rear wheel arch", fuse=fuse),
            run("R00", "return", "body", "battery"),
            run("R01", "feed", "block behind the left rear wheel arch", "battery"),
        ],
    }  # fmt: skip
    for at in range(devices):
        mark = f"A{at + 1}"
        plan["devices"].append(
            {
                "id": mark,
                "name": NAMES[at % len(NAMES)],
                "kind": "amplifier",
                "turn_on": "remote_wire",
                "turn_on_by": f"A{at}" if at else None,
                "input_from": "" if at else "factory_speaker",
            }
        )
        near = "block behind the left rear wheel arch" if at % 2 else "battery"
        plan["runs"] += [
            run(f"F{at}", "feed", near, mark, fuse=fuse, far_fuse=fuse, parallel=2),
            run(f"G{at}", "return", mark, "body" if at % 3 else "ground post in the boot"),
        ]
        for number in range(1, channels + 1):
            name = f"SP{at + 1}{number:02}"
            plan["speakers"].append(
                {
                    "id": name,
                    "name": NAMES[number % len(NAMES)],
                    "kind": "full_range",
                    "position": "front_door_upper_left",
                    "impedance_ohm": 4.0,
                }
            )
            lead = {"cavity": str(number), "base": COLOURS[number % 5], "stripe": "WH"}
            plan["channels"].append(
                {
                    "id": f"{mark}.{number}",
                    "device": mark,
                    "kind": "amplifier",
                    "number": number,
                    "speakers": [name, "SP101"],
                    "joining": "parallel",
                    "wire": {
                        "connector": (ARABIC if number % 2 else "Plug on the left door pillar")[
                            :40
                        ],
                        "positive": lead,
                        "negative": lead | {"cavity": "a cavity of 20 long"},
                        "polarity_proved": False,
                    },
                    "cable": {"size": "2.5 mm2", "length_m": 4.0, "fuse_a": 15.0},
                    "note": LONG[:90],
                }
            )
        if at:
            plan["channels"].append(
                {
                    "id": f"{mark}.L1",
                    "device": mark,
                    "kind": "line",
                    "number": 1,
                    "feeds_device": "A1",
                    "feeds_input": at,
                }
            )
    return {
        **document,
        "plan": plan,
        "parts": [],
        "plugs": [],
        "adapters": [adapter(at, wires=1 + at * 9 * channels) for at in range(devices)],
    }


def adapter(at: int, wires: int) -> dict[str, Any]:
    """A lead with so many wires, of names as long as they may be."""
    return {
        "name": f"{NAMES[at % len(NAMES)][:74]} {at}",
        "from_plug": (ARABIC if at % 2 else "Plug on the left door pillar, inside, lower")[:40],
        "to_plug": LONG[:40],
        "wires": [
            {
                "from_pin": f"N{at}.{number}",
                "to_pin": "a pin of 20 letters." if number % 3 else str(number),
                "base": COLOURS[number % 5],
                "stripe": "WH",
                "note": LONG[:120] if number % 4 == 0 else "",
            }
            for number in range(wires)
        ],
    }


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(
    ("devices", "channels"), [(1, 1), (3, 4), (5, 8), (12, 2), (2, 32), (0, 0)]
)
def test_no_word_lies_on_another_or_off_the_page(
    workshop: Workshop, paper: str, devices: int, channels: int
) -> None:
    make_shop(paper_size=paper)
    document = sheet_document.draft(sheet_document.load(pk=workshop.job().pk))
    pages = drawings(crowded(document, devices, channels))
    for _, canvas, _ in pages:
        lie_apart(canvas)
    sizes = {(canvas.width, canvas.height) for _, canvas, _ in pages}
    assert len(sizes) == 1, "a page grew over its paper"
    whole = " ".join(one.words for _, canvas, _ in pages for one in canvas.words)
    for one in crowded(document, devices, channels)["plan"]["runs"]:
        assert one["id"] in whole.split()
    for at in range(devices):
        assert f"A{at + 1}" in whole.split()
    drawn = [one.words for _, canvas, _ in pages for one in canvas.words]
    for at in range(devices):
        for number in range(1, channels + 1):
            assert any(f"SP{at + 1}{number:02}" in one.split() for one in drawn)
        for number in range(1 + at * 9 * channels):
            assert drawn.count(f"N{at}.{number}") == 1, (
                "a wire of a lead is left out or drawn twice"
            )


def test_a_fault_of_the_geometry_would_be_seen() -> None:
    canvas = Canvas(100, 100)
    canvas.text(10, 20, "one")
    canvas.text(10, 24, "other")
    with pytest.raises(AssertionError, match="lies on"):
        lie_apart(canvas)
    canvas = Canvas(100, 100)
    canvas.box(0, 0, 30, 30)
    canvas.text(5, 20, "longer than its box")
    with pytest.raises(AssertionError, match="across the edge"):
        lie_apart(canvas)


def test_wrapped_lines_fit_and_lose_nothing() -> None:
    for words_of in (LONG, ARABIC, "W" * 80, GREEK):
        lines = wrapped(words_of, 90.0, SMALL)
        assert all(width_of(one, SMALL) <= 90.0 for one in lines)
        assert "".join(lines).replace(" ", "") == words_of.replace(" ", "")


def test_two_equal_amplifiers_and_speakers_come_out_by_identity(workshop: Workshop) -> None:
    document = sheet_document.draft(sheet_document.load(pk=workshop.twins().pk))
    whole = installation(document)
    said = {
        node: [
            (one.kind, one.rail.node if one.rail else None, plain(one.above))
            for one in whole.ending_at(node)
        ]
        for node in ("A1", "A2")
    }
    assert [one for one in said["A1"] if one[0] != "turn-on"] == [
        ("feed", "battery", "R1 25 mm² copper, 1.00 m"),
        ("return", "battery", "R2 25 mm² copper, 1.00 m"),
    ]
    assert [one for one in said["A2"] if one[0] != "turn-on"] == [
        ("feed", "battery", "R3 6 mm² copper, 6.00 m"),
        ("return", "battery", "R4 6 mm² copper, 6.00 m"),
    ]
    assert whole.nodes["A1"].name == whole.nodes["A2"].name
    fed = {
        (one.channel, one.load): [each[:2] for each in one.feeds]
        for node in whole.nodes.values()
        for one in node.outputs
    }
    speakers = {one["id"]: one["position"] for one in document["plan"]["speakers"]}
    places = {channel: [speakers[name] for name, _ in feeds] for (channel, _), feeds in fed.items()}
    assert places == {
        "A1.1": ["front_dash_left"],
        "A1.2": ["front_dash_right"],
        "A2.1": ["front_door_left", "rear_door_left"],
        "A2.2": ["front_door_right", "rear_door_right"],
    }
    assert [plain(load) for _, load in fed] == ["4 Ω", "4 Ω", "2 Ω", "2 Ω"]
    pages = drawings(document)
    (overview,) = [canvas for title, canvas, _ in pages if title == "The whole installation"]
    at = {plain(one.words): one for one in overview.words}
    # What belongs to an amplifier stands beside its own box.
    assert at["A1"].top < at["SP2 Tweeter, dash right, 4 Ω"].top < at["A2"].top
    assert at["A2"].top < at["R3 6 mm² copper, 6.00 m"].bottom
    assert at["R2 25 mm² copper, 1.00 m"].top < at["A2"].top


def test_a_plugs_face_is_frozen_with_the_sheet(workshop: Workshop) -> None:
    job = workshop.ready()
    table = PlugTable.objects.create(
        vehicle_model=job.vehicle.vehicle_model, name="door  PLUG", rows=2, columns=6
    )
    PlugTable.objects.create(vehicle_model=job.vehicle.vehicle_model, name="Roof plug")
    PlugCavity.objects.create(table=table, cavity="12", base="PK", function="Door lamp")
    sheet = workshop.sign(job)
    table.delete()
    (plug,) = sheet.document["plugs"]
    assert (plug["rows"], plug["columns"], plug["name"]) == (2, 6, "door  PLUG")
    (canvas,) = [canvas for title, canvas, _ in drawings(sheet.document) if title == "Plugs"]
    said = [plain(one.words) for one in canvas.words]
    assert "12: PK, pink, Door lamp" in said
    assert "5: GY/RD, grey with red stripe, A1.3 +" in said
    lie_apart(canvas)


@pytest.mark.paper
def test_signed_paper(workshop: Workshop, client: Client, data_folder: Path) -> None:
    sheet = workshop.sign(workshop.ready())
    client.force_login(workshop.desk)
    address = reverse("wiring_sheet_pdf", args=[sheet.job.number, sheet.revision])
    assert address in client.get(reverse("sheet", args=[sheet.job.number, sheet.revision])).text
    pdf = client.get(address).content
    reader = PdfReader(io.BytesIO(pdf))
    assert all(page.mediabox.width > page.mediabox.height for page in reader.pages)
    assert len(reader.pages) == len(drawings(sheet.document)) + 1, "and the car"
    text = words(pdf)
    for said in (
        sheet.number, sheet.job.vehicle.plate, "A1", "WF-20418", "16 mm² copper", "60 A strip",
        "Car body", "GY/RD", "Door plug", "Tweeter, dash left", "Coaxial, rear door right",
    ):  # fmt: skip
        assert said in text, said
    assert "draft" not in text
    answer = verify(pdf)
    assert (answer.holds, answer.number) == (True, sheet.number)
    assert "wiring sheet" in answer.said
    assert "wiring sheet" not in verify(bytes(sheet.pdf)).said
    assert "customer’s page" in verify(render.customer_pdf(sheet.document)).said
    changed = pdf.replace(b"/Type /Page", b"/Type /Pagf", 1)
    assert not verify(changed).holds
    tree = reader.trailer["/Root"]["/StructTreeRoot"]
    assert "A1.3 to SP3 Coaxial, rear door left" in _alternatives(tree)


def _alternatives(element: Any) -> str:
    element = element.get_object() if hasattr(element, "get_object") else element
    if isinstance(element, list):
        return " ".join(map(_alternatives, element))
    if not isinstance(element, dict):
        return ""
    return f"{element.get('/Alt', '')} {_alternatives(element.get('/K'))}"


@pytest.mark.paper
def test_what_is_printed_lies_where_it_was_reckoned(workshop: Workshop) -> None:
    """The letters as another program finds them in the PDF: on the page, and not smaller."""
    document = sheet_document.draft(sheet_document.load(pk=workshop.ready().pk))
    document = crowded(document, 3, 5)
    assert "Speakers and their channels" not in render.wiring_html(document), "too much for it"
    for one in document["plan"]["channels"]:
        one["speakers"] = one.get("speakers", [])[:1]
    pdf = pdfium.PdfDocument(render.write_pdf(render.wiring_html(document), []))
    pages = len(pdf)
    assert pages == len(drawings(document)) + 1, "and the car"
    for at in range(pages):
        page = pdf[at]
        width, height = page.get_size()
        text = page.get_textpage()
        for index in range(text.count_rects()):
            left, bottom, right, top = text.get_rect(index)
            assert left >= 20
            assert right <= width - 20
            assert bottom >= 10
            assert top <= height - 10
    pdf.close()


def test_draft_from_the_bay_sheet(workshop: Workshop, client: Client) -> None:
    job = workshop.job()
    client.force_login(workshop.technician)
    address = reverse("wiring_preview", args=[job.number])
    assert address in client.get(reverse("bay_channels", args=[job.number])).text
    answer = client.get(address)
    assert answer["Content-Type"] == "application/pdf"
    assert "draft, not signed" in words(answer.content)
    assert client.get(address, headers={"If-None-Match": answer["ETag"]}).status_code == 304
