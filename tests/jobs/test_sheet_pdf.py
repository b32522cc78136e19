"""The PDF says what the frozen record says, carries it along, and shows when it was altered."""

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pdfua
import pikepdf
import pytest
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko_certvalidator import ValidationContext
from pypdf import PdfReader

from jobs import renderer, signing
from jobs.models import InstallSheet
from jobs.paper import PAPERS, counter_paper, estimate_pdf
from jobs.services.estimates import Estimate
from jobs.sheet import document as sheet_document, render
from jobs.sheet.papers import SHEET_PAPERS
from jobs.sheet.sign_off import collect_job
from shop.models import Customer
from shop.roles import Role
from tests.factories import make_shop, make_staff
from tests.jobs.workshop import Workshop
from tests.laid_once import laid_once
from wiring.plan import dump, from_builtins, load

pytestmark = [pytest.mark.django_db, pytest.mark.paper, pytest.mark.once]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sheet")


@pytest.fixture(autouse=True)
def data_folder(settings: Any, folder: Path) -> Path:
    """Where the key of the one signed sheet lies."""
    settings.DATA_DIR, settings.MEDIA_ROOT = folder, folder / "media"
    return folder


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def words(pdf: bytes) -> str:
    """The text of all pages, every run of spaces as one."""
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


@pytest.fixture(scope="module")
def sheet(django_db_setup: None, django_db_blocker: Any, folder: Path) -> Iterator[InstallSheet]:
    """One signed sheet for all that look at it: it takes seconds to draw."""
    with laid_once(django_db_blocker, folder):
        make_shop(name="Lantern Lane Sound", units="metric", time_zone="America/Chicago")
        workshop = Workshop()
        yield workshop.sign(workshop.ready())


def test_text(sheet: InstallSheet) -> None:
    reader = PdfReader(io.BytesIO(bytes(sheet.pdf)))
    text = words(bytes(sheet.pdf))
    vehicle = sheet.job.vehicle
    for said in (
        "Lantern Lane Sound",
        sheet.number,
        vehicle.plate,
        vehicle.vin,
        sheet.job.customer.name,
        "WF-20418",
        "A1.1",
        "A1.4",
        "GY/RD",
        "pin 5",
        "5000 Hz",
        "3150 Hz",
        "Linkwitz-Riley 24",
        "−20.0 dB",
        "−4.5 dB",
        "1.25 ms",
        "16 mm² copper",
        "60 A strip, 0.20 m from the battery",
        "Left for speakers",
        "33 CFR 183.425 Table 5",
        "charging balance cruising",
        "12.6 V",
        "12.5 V",
        "Multimeter 2",
        "Seat belt chime",
        "Why it stays as it is: Accepted for the test",
        "FL 14-212",
        "Airbags",
        "common practice, no source",
        sheet.document_sha256,
        f"Page 1 of {len(reader.pages)}",
        f"Page {len(reader.pages)} of {len(reader.pages)}",
    ):
        assert said in text, f"{said!r} is not on the sheet"
    assert "draft" not in text.lower()


def test_joined_coils_are_drawn(workshop: Workshop) -> None:
    make_shop()
    job = workshop.ready()
    channel = job.channels.get(kind="amplifier", number=1)
    channel.speakers.update(coils=2, coil_joining="series")
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert "2 coils in series: 8 Ω" in words(render.pdf(document))


def test_every_page_after_the_first_names_sheet_and_plate(sheet: InstallSheet) -> None:
    pages = PdfReader(io.BytesIO(bytes(sheet.pdf))).pages
    assert len(pages) > 1
    for page in pages[1:]:
        text = page.extract_text()
        assert f"Install sheet {sheet.number}" in text
        assert sheet.job.vehicle.plate in text


def test_signatures_stand_below_the_cautions_and_the_appendix_is_last(sheet: InstallSheet) -> None:
    pages = [
        " ".join(page.extract_text().split())
        for page in PdfReader(io.BytesIO(bytes(sheet.pdf))).pages
    ]
    (signed,) = [text for text in pages if "Reviewed and signed, manager" in text]
    assert "Airbags and belt tensioners" in signed
    whole = "\n".join(pages)
    assert whole.index("Reviewed and signed, manager") < whole.index("What was assumed")
    assert len(pages) <= 3


def test_attachments_are_the_frozen_plan_and_record(sheet: InstallSheet) -> None:
    attached = PdfReader(io.BytesIO(bytes(sheet.pdf))).attachments
    [plan], [document] = attached["plan.json"], attached["sheet.json"]
    assert load(plan) == from_builtins(sheet.document["plan"])
    assert plan == dump(from_builtins(sheet.document["plan"]))
    assert json.loads(document) == sheet.document
    assert sheet_document.canonical(json.loads(document)) == document


def test_archival_tagged_and_subset(sheet: InstallSheet) -> None:
    reader = PdfReader(io.BytesIO(bytes(sheet.pdf)))
    catalog = reader.trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"]
    assert catalog["/Lang"] == "en"
    metadata = catalog["/Metadata"].get_data().decode()
    assert "pdfaid:part" in metadata.replace("=", "")
    fonts: dict[str, Any] = {}
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            fonts[font.get_object()["/BaseFont"]] = font
    assert fonts
    assert all("+" in name for name in fonts), fonts.keys()


def _found(pdf: bytes, folder: Path) -> set[str]:
    """Rules of PDF/UA-1 (ISO 14289-1:2014) that the file breaks, as far as a program can look."""
    path = folder / "paper.pdf"
    path.write_bytes(pdf)
    with pikepdf.open(path) as opened:
        assert opened.check_pdf_syntax() == []
    return {one.rule_id for one in pdfua.validate(path).findings} - {"UA-28-004"}


@pytest.mark.parametrize("paper", SHEET_PAPERS)
def test_each_paper_can_be_read_out(sheet: InstallSheet, paper: str, tmp_path: Path) -> None:
    """But for the claim to conform (UA-28-004), which a program alone should not make."""
    assert _found(SHEET_PAPERS[paper].pdf(sheet), tmp_path) == set()


def test_what_cannot_be_read_out_is_found(sheet: InstallSheet, tmp_path: Path) -> None:
    html = render.sheet_html(sheet.document)
    silent = render.write_pdf(re.sub(r"<title>[^<]* with [^<]*</title>", "", html), [])
    assert _found(silent, tmp_path) == {"UA-13-004"}


def test_signature_holds_and_one_altered_byte_breaks_it(sheet: InstallSheet) -> None:
    pdf = bytes(sheet.pdf)
    key = signing.shop_key("unused")
    signature = PdfFileReader(io.BytesIO(pdf)).embedded_signatures[0]
    status = validate_pdf_signature(signature, ValidationContext(trust_roots=[key.certificate]))
    assert status.bottom_line
    assert status.coverage.name == "ENTIRE_FILE"
    assert signing.check(pdf, "unused").by == "Lantern Lane Sound"
    start = pdf.index(b"stream") + 12
    altered = pdf[:start] + bytes([pdf[start] ^ 1]) + pdf[start + 1 :]
    assert not signing.check(altered, "unused").valid
    assert not signing.check(pdf + b"\n% added later\n", "unused").valid


def test_a_signature_of_another_shop_is_no_signature(
    sheet: InstallSheet, settings: Any, tmp_path: Path
) -> None:
    assert signing.key_path().stat().st_mode & 0o077 == 0
    settings.DATA_DIR = tmp_path
    signing.new_shop_key("Another shop")
    with patch("jobs.own_certificates.is_signing", lambda _: True):
        assert not signing.check(bytes(sheet.pdf), "unused").valid


def test_customers_copy_carries_the_signature(sheet: InstallSheet) -> None:
    receipt = collect_job(sheet.job_id, make_staff(Role.FRONT_DESK), "TESSA ROWAN")
    text = words(bytes(receipt.pdf))
    assert "Received, customer" in text
    assert "TESSA ROWAN" in text
    assert "TESSA ROWAN" not in words(bytes(sheet.pdf))
    assert signing.check(bytes(receipt.pdf), "unused").valid


def test_draft_says_so_and_is_not_signed(workshop: Workshop) -> None:
    job = workshop.ready()
    pdf = render.pdf(sheet_document.draft(sheet_document.load(pk=job.pk)))
    text = words(pdf)
    assert "Draft, not signed" in text
    assert "SHA-256 of this sheet" not in text
    assert not PdfFileReader(io.BytesIO(pdf)).embedded_signatures


def paper_of(pdf: bytes) -> set[tuple[float, float]]:
    boxes = [page.mediabox for page in PdfReader(io.BytesIO(pdf)).pages]
    return {(round(float(box.width)), round(float(box.height))) for box in boxes}


LETTER, A4 = {(612, 792)}, {(595, 842)}
"""In points of 1/72 in (ISO 32000-1:2008, 8.3.2.3): 8.5 by 11 in, and 210 by 297 mm
(ISO 216:2007, table 1)."""


@pytest.mark.parametrize(
    ("units", "size", "wanted"),
    [("us", "a4", A4), ("metric", "letter", LETTER), ("us", None, LETTER), ("metric", None, A4)],
)
def test_paper_is_the_shop_s_whatever_its_units(
    workshop: Workshop, units: str, size: str | None, wanted: set[tuple[float, float]]
) -> None:
    """On every paper; a document from before the shop said its paper follows its units."""
    make_shop(units=units, paper_size=size or "a4")
    job = workshop.ready()
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    if size is None:
        del document["shop"]["paper"]
    papers = [render.pdf(document), render.customer_pdf(document)]
    if size is not None:
        papers.append(estimate_pdf(Estimate(job)))
        papers += [counter_paper(job, name, "https://x.example/") for name in PAPERS]
    assert [paper_of(one) for one in papers] == [wanted] * len(papers)
    lying = {(height, width) for width, height in wanted}
    assert paper_of(render.wiring_draft(document)) == lying


def test_us_shop_gets_letter_paper_and_feet(workshop: Workshop) -> None:
    make_shop(units="us", paper_size="letter")
    pdf = render.pdf(sheet_document.draft(sheet_document.load(pk=workshop.ready().pk)))
    box = PdfReader(io.BytesIO(pdf)).pages[-1].mediabox
    # US Letter is 8.5 in by 11 in, and a point is 1/72 in (ISO 32000-1:2008, 8.3.2.3).
    assert (float(box.width), float(box.height)) == pytest.approx((8.5 * 72, 11 * 72))
    # 2.0 m is 6.6 ft and 0.2 m is 8 in by the international foot, 0.3048 m.
    assert "6.6 ft" in words(pdf)
    assert "60 A strip, 8 in from the battery" in words(pdf)


def test_what_people_type_is_text_and_fetches_nothing(workshop: Workshop) -> None:
    job = workshop.ready()
    Customer.objects.update(name='<img src="file:///etc/hostname"> & Sons')
    html = render.sheet_html(sheet_document.draft(sheet_document.load(pk=job.pk)))
    assert "&lt;img src=" in html
    with pytest.raises(ValueError, match="disallowed protocol"):
        renderer.page("<p>Text</p>").url_fetcher.fetch("file:///etc/hostname")
