"""Labels lie where the sheet says, hold what the plan says, and cut nothing off."""

import io
from typing import Any

import pypdf
import pypdfium2
import pytest
import zxingcpp
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from fontTools.ttLib import TTFont
from PIL import Image

from jobs.labels.content import Label, Line, labels_of
from jobs.labels.layout import FONTS
from jobs.labels.render import FLAG, SLEEVE, labels_pdf
from jobs.lifecycle import Stage
from jobs.models import Job, JobSpeaker
from shop.models import LabelSheet
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import make_job, make_product, make_staff

MM_OF_PT = 25.4 / 72
WITHIN_MM = 0.5
ADDRESS = "https://book.example.org/jobs/1001/"


@pytest.fixture
def job(db: None) -> Job:
    """A1 channel 1 feeds a woofer over a known wire; R1 feeds A1 through a fuse."""
    amplifier = make_product(name="Weir Four", ratings=[(4, 75, False)])
    job = make_job(Stage.IN_BAY, parts_wanted=[amplifier])
    speaker = JobSpeaker.objects.create(
        job=job,
        label="SP1",
        name="Woofer",
        kind=SpeakerKind.WOOFER,
        position="front_door_left",
        impedance_ohm=4.0,
    )
    channel = job.channels.get(number=1)
    channel.speakers.add(speaker)
    wire = {"connector": "C1", "positive_cavity": "4", "positive_base": "BN"}
    job.channels.filter(pk=channel.pk).update(**wire, positive_stripe="WH", negative_base="BK")
    job.runs.create(
        label="R1",
        from_node="battery",
        to_node="A1",
        size="16 mm2",
        length_m=4,
        fuse_rating_a=80,
        fuse_body="bolt-in 51 mm",
    )
    return job


def odd_sheet(**other: Any) -> LabelSheet:
    """Two columns of three on a page of no usual size, with gaps both ways."""
    values: dict[str, Any] = {
        "name": "Odd",
        "page_width_mm": 160,
        "page_height_mm": 150,
        "columns": 2,
        "rows": 3,
        "label_width_mm": 60,
        "label_height_mm": 30,
        "left_mm": 11.3,
        "top_mm": 17.7,
        "pitch_x_mm": 71.2,
        "pitch_y_mm": 41.9,
    }
    return LabelSheet(**{**values, **other})


def boxes_mm(page: pypdf.PageObject, wide_mm: float, high_mm: float) -> set[tuple[float, float]]:
    """Upper left corners of the rectangles of that size on a page, from its upper left corner."""
    found = set()
    page_mm = float(page.mediabox.height) * MM_OF_PT

    def look(operator: bytes, operands: list[Any], cm: list[float], tm: list[float]) -> None:
        if operator != b"re":
            return
        x, y, wide, high = (float(one) for one in operands)
        if abs(wide * cm[0] * MM_OF_PT - wide_mm) < 0.01:
            if abs(abs(high * cm[3] * MM_OF_PT) - high_mm) > 0.01:
                return
            left = (x * cm[0] + cm[4]) * MM_OF_PT
            top = page_mm - (y * cm[3] + cm[5]) * MM_OF_PT
            found.add((round(left, 2), round(top, 2)))

    page.extract_text(visitor_operand_before=look)
    return found


def near(found: set[tuple[float, float]], wanted: list[tuple[float, float]]) -> bool:
    left, right = sorted(found), sorted(wanted)
    return len(left) == len(right) and all(
        abs(a - b) < WITHIN_MM for one, two in zip(left, right, strict=True)
        for a, b in zip(one, two, strict=True)
    )  # fmt: skip


def read(pdf: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(pdf))


def test_labels_lie_where_the_sheet_says_from_the_start_position(job: Job) -> None:
    five = [label for label in labels_of(job, ADDRESS) for _ in range(2)][:5]
    reader = read(labels_pdf(five, odd_sheet(), style=SLEEVE, start=3, outlines=True))
    size = [float(one) * MM_OF_PT for one in reader.pages[0].mediabox[2:]]
    assert size == pytest.approx([160, 150], abs=0.01)
    # Places 1 and 2 are used up: 3 to 6 lie in rows two and three, the fifth on a new page.
    first = [(11.3, 59.6), (82.5, 59.6), (11.3, 101.5), (82.5, 101.5)]
    assert near(boxes_mm(reader.pages[0], 60, 30), first)
    assert near(boxes_mm(reader.pages[1], 60, 30), [(11.3, 17.7)])
    assert len(reader.pages) == 2


def test_labels_say_what_the_plan_says(job: Job) -> None:
    labels = labels_of(job, ADDRESS)
    assert [label.kind for label in labels] == ["wire", "wire", "cable", "fuse", "key"]
    sheet = odd_sheet(rows=1, columns=1)
    pages = [page.extract_text() for page in read(labels_pdf(labels, sheet, style=SLEEVE)).pages]
    texts = [" ".join(text.split()) for text in pages]
    for said in ("A1.1 +", "Woofer, front door left", "BN/WH", "C1 pin 4"):
        assert said in texts[0]
    assert "A1.1 −" in texts[1]
    assert "BK" in texts[1]
    assert "R1 + battery to A1 Weir Four 16 mm²" in texts[2]
    for said in ("80 A", "bolt-in 51 mm fuse", "for 16 mm²", "R1 battery to A1"):
        assert said in texts[3]
    assert str(job) in texts[4]
    assert job.vehicle.plate in texts[4]
    flags = read(labels_pdf(labels[:1], sheet, style=FLAG)).pages[0].extract_text()
    assert flags.count("A1.1 +") == 2


def test_the_code_of_the_key_tag_opens_the_job(job: Job) -> None:
    tag = labels_of(job, ADDRESS)[-1]
    roll = odd_sheet(
        columns=1, rows=1, page_width_mm=50, page_height_mm=20, label_width_mm=50,
        label_height_mm=20, left_mm=0, top_mm=0,
    )  # fmt: skip
    page = pypdfium2.PdfDocument(labels_pdf([tag], roll))[0]
    picture: Image.Image = page.render(scale=300 / 72).to_pil()
    (code,) = zxingcpp.read_barcodes(picture)
    assert code.format == zxingcpp.BarcodeFormat.QRCode
    assert code.text == ADDRESS


def test_long_text_shrinks_and_stays_within_its_label() -> None:
    sheet = odd_sheet(columns=1, rows=1, label_width_mm=45, label_height_mm=14)
    words = "Midrange, front door left over the factory plug behind the sill trim"
    label = Label("w", "wire", "", (Line("A12.12 −", 1.6, True, False), Line(words)), base="BN")
    fonts = {name: TTFont(FONTS / f"OpenSans-{name}.ttf") for name in ("Regular", "Bold")}
    pieces: list[str] = []

    def look(text: str, cm: list[float], tm: list[float], font: Any, size: float) -> None:
        if not text.strip():
            return
        pieces.append(text.strip())
        name = "Bold" if "Bold" in font["/BaseFont"] else "Regular"
        glyphs, widths = fonts[name].getBestCmap(), fonts[name]["hmtx"]
        em = fonts[name]["head"].unitsPerEm
        wide = sum(widths[glyphs[ord(one)]][0] for one in text.strip()) / em * size * abs(cm[0])
        left = tm[4] * cm[0] + cm[4]
        assert sheet.left_mm <= left * MM_OF_PT
        assert (left + wide) * MM_OF_PT <= sheet.left_mm + sheet.label_width_mm

    page = read(labels_pdf([label], sheet, style=SLEEVE)).pages[0]
    page.extract_text(visitor_text=look)
    assert " ".join(pieces) == f"A12.12 − {words}"


def test_labels_that_are_too_small_are_named_and_nothing_is_printed(
    job: Job, client: Client
) -> None:
    tiny = odd_sheet(label_width_mm=16, label_height_mm=6)
    tiny.save()
    client.force_login(make_staff(Role.TECHNICIAN))
    answer = client.get(reverse("labels_pdf", args=[job.number]), {"sheet": tiny.pk})
    assert answer.status_code == 422
    assert "too small for A1.1 +" in answer.content.decode()


def test_the_address_says_what_is_printed(job: Job, client: Client) -> None:
    sheet = odd_sheet()
    sheet.save()
    client.force_login(make_staff(Role.TECHNICIAN))
    channel = job.channels.get(number=1)
    none = {f"n-{label.id}": "0" for label in labels_of(job, ADDRESS)}
    asked = {**none, "sheet": sheet.pk, "style": SLEEVE, f"n-wire-{channel.pk}-positive": "7"}
    answer = client.get(reverse("labels_pdf", args=[job.number]), {**asked, "start": "2"})
    assert answer["Content-Type"] == "application/pdf"
    pages = [page.extract_text().count("A1.1 +") for page in read(answer.content).pages]
    assert pages == [5, 2]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"columns": 3}, "columns"),
        ({"rows": 4}, "rows"),
        ({"pitch_x_mm": 59}, "pitch_x_mm"),
        ({"top_mm": 37}, "rows"),
    ],
)
def test_a_sheet_whose_labels_do_not_fit_the_page_is_refused(
    db: None, change: dict[str, float], field: str
) -> None:
    odd_sheet().full_clean()
    with pytest.raises(ValidationError) as refused:
        odd_sheet(**change).full_clean()
    assert set(refused.value.message_dict) == {field}


def test_the_sheets_that_come_with_the_product_fit_their_pages(db: None) -> None:
    sheets = list(LabelSheet.objects.all())
    assert "3 x 8 on A4" in {sheet.name for sheet in sheets}
    for sheet in sheets:
        sheet.full_clean()


def test_a_bridged_channel_is_one_pair_of_wires(job: Job) -> None:
    job.channels.filter(number=1).update(bridged_with=2)
    wires = [label.lines[0].text for label in labels_of(job, ADDRESS) if label.kind == "wire"]
    assert wires == ["A1.1+2 +", "A1.1+2 −"]
