"""Anybody can check a sheet: ours or not, unchanged or not, the newest or not."""

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
import zxingcpp
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.test import Client
from pypdf import PdfReader
from pypdfium2 import PdfDocument

from jobs import signing
from jobs.models import InstallSheet, JobEvent, SheetReceipt
from jobs.own_certificates import signed_with
from jobs.services.moves import move
from jobs.sheet import render, verify as checked
from jobs.sheet.sign_off import collect_job, sign_off_job
from jobs.sheet.verify import verify
from shop import frozen
from shop.services import sign_in
from tests.factories import make_shop
from tests.jobs.workshop import Workshop

pytestmark = [pytest.mark.django_db, pytest.mark.once]

ADDRESS = "https://book.lanternlane.example/verify/"


@pytest.fixture
def workshop() -> Workshop:
    make_shop(name="Lantern Lane Sound", verify_address=ADDRESS)
    return Workshop()


@pytest.fixture
def sheet(workshop: Workshop) -> InstallSheet:
    return workshop.sign(workshop.ready())


def _changed_at(pdf: bytes, at: int) -> bytes:
    return pdf[:at] + bytes([pdf[at] ^ 0x01]) + pdf[at + 1 :]


def test_each_paper_is_ours_unchanged_and_newest(workshop: Workshop, sheet: InstallSheet) -> None:
    receipt = collect_job(sheet.job_id, workshop.desk, "ODA BRENNICK")
    papers = (bytes(sheet.pdf), bytes(receipt.pdf), render.customer_pdf(sheet.document))
    for pdf in papers:
        answer = verify(pdf)
        assert (answer.kind, answer.number) == (checked.NEWEST, sheet.number)
    # The second sheet of an equal job is told apart by what it carries.
    other = workshop.sign(workshop.ready())
    assert verify(render.customer_pdf(other.document)).number == other.number != sheet.number


def test_one_byte_changed_anywhere_is_seen(sheet: InstallSheet) -> None:
    """In the body, the record, the signature, the zeros behind it, the tables at the end."""
    for pdf in (bytes(sheet.pdf), render.customer_pdf(sheet.document)):
        start, length, rest, _ = (
            PdfReader(io.BytesIO(pdf))
            .trailer["/Root"]["/AcroForm"]["/Fields"][0]
            .get_object()["/V"]["/ByteRange"]
        )
        places = [*range(0, len(pdf), len(pdf) // 12), len(pdf) - 2]
        places += [start + length + 40, rest - 3, rest - 1, rest + 5]
        kinds = {place: verify(_changed_at(pdf, place)).kind for place in places}
        assert set(kinds.values()) <= {checked.CHANGED, checked.NOT_OURS}, kinds
        assert checked.CHANGED in kinds.values()
        # A digit of the signature in small letters says the same to a validator.
        written = pdf[start + length : rest]
        small = pdf[: start + length] + written.replace(b"A", b"a", 1) + pdf[rest:]
        assert signing.check(small, "Lantern Lane Sound").valid
        assert verify(small).kind == checked.CHANGED
        assert verify(pdf + b"\n").kind in {checked.CHANGED, checked.NOT_OURS}


def test_what_is_no_sheet_of_ours(sheet: InstallSheet, data_folder: Path) -> None:
    own = (data_folder / "signing.pem").read_bytes()
    (data_folder / "signing.pem").unlink()
    signing.new_shop_key("Lantern Lane Sound")
    with patch("jobs.own_certificates.is_signing", lambda _: True):
        forged = render.customer_pdf(sheet.document)
    (data_folder / "signing.pem").write_bytes(own)
    for strange in (b"", b"%PDF-1.7\n", b"\x00" * 4000, forged, render.pdf(sheet.document)):
        assert verify(strange).kind == checked.NOT_OURS


def test_a_corrected_sheet_names_the_one_in_its_place(
    workshop: Workshop, sheet: InstallSheet, client: Client
) -> None:
    job = sheet.job
    move(job.pk, "correct", workshop.manager, "Misread")
    job.parts.filter(label="A1").update(serial="WF-20481")
    move(job.pk, "hand_correction", workshop.technician)
    second = sign_off_job(job.pk, workshop.manager)
    old, new = verify(bytes(sheet.pdf)), verify(bytes(second.pdf))
    assert (old.kind, old.later) == (checked.REPLACED, second.number)
    assert (new.kind, new.later) == (checked.NEWEST, "")
    page = client.post("/verify/", {"pdf": _upload(bytes(sheet.pdf))}).content.decode()
    assert f"{second.number} stands in its place" in page
    for private in (job.customer.name, job.vehicle.plate, job.vehicle.vin, "Misread"):
        assert private not in page


def test_a_record_changed_behind_our_back_is_in_doubt(
    workshop: Workshop, sheet: InstallSheet
) -> None:
    receipt = collect_job(sheet.job_id, workshop.desk, "ODA BRENNICK")
    rows = InstallSheet.objects.filter(pk=sheet.pk)
    behind: dict[str, Callable[[], Any]] = {
        "log": JobEvent.objects.filter(job=sheet.job).earliest("pk").delete,
        "document": lambda: rows.update(document={**sheet.document, "notes": [1]}),
        "pdf": lambda: rows.update(pdf=_changed_at(bytes(sheet.pdf), 900)),
        "receipt": lambda: SheetReceipt.objects.filter(pk=receipt.pk).update(
            signed_name="ODA BRENNOCK"
        ),
    }
    frozen.remove(connection)
    for what, change in behind.items():
        assert verify(bytes(sheet.pdf)).kind == checked.NEWEST
        with transaction.atomic():
            change()
            assert verify(bytes(sheet.pdf)).kind == checked.IN_DOUBT, what
            transaction.set_rollback(True)
    frozen.install(connection)


def _upload(pdf: bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile("sheet.pdf", pdf, "application/pdf")


def test_a_stranger_asks_so_often_and_no_more(sheet: InstallSheet) -> None:
    stranger = Client(REMOTE_ADDR="192.0.2.7")
    for _ in range(sign_in.TRIES_OF_ALL_NAMES):
        assert stranger.post("/verify/", {"pdf": _upload(b"no")}).status_code == 200
    refused = stranger.post("/verify/", {"pdf": _upload(bytes(sheet.pdf))})
    assert refused.status_code == 429 and refused.context["answer"] is None
    assert "Try again" in refused.content.decode()
    neighbour = Client(REMOTE_ADDR="192.0.2.8")
    assert neighbour.post("/verify/", {"pdf": _upload(bytes(sheet.pdf))}).status_code == 200
    # What is asked here takes no try of a password away, nor the other way round.
    assert stranger.post("/sign-in/", {"username": "x", "password": "y"}).status_code == 200
    assert stranger.post("/verify/").status_code == 429


def test_the_certificate_given_out_is_the_one_that_signed(
    sheet: InstallSheet, client: Client, data_folder: Path
) -> None:
    given = client.get("/verify/certificate/").content
    assert given.startswith(b"-----BEGIN CERTIFICATE-----") and b"PRIVATE" not in given
    assert given.strip() in (data_folder / "signing.pem").read_bytes().replace(b"\r", b"")
    page = client.get("/verify/").content.decode()
    fingerprint = signed_with(bytes(sheet.pdf)).upper()
    assert fingerprint in page.replace(" ", "")
    (data_folder / "signing.pem").unlink()
    assert client.get("/verify/").status_code == 200
    assert client.get("/verify/certificate/").status_code == 404
    assert not (data_folder / "signing.pem").exists()
    assert client.post("/verify/", {"pdf": _upload(b"no")}).status_code == 409


def test_the_command_says_the_same(sheet: InstallSheet, tmp_path: Path, capsys: Any) -> None:
    good, bad = tmp_path / "good.pdf", tmp_path / "bad.pdf"
    good.write_bytes(bytes(sheet.pdf))
    bad.write_bytes(_changed_at(bytes(sheet.pdf), 2000))
    call_command("verify", str(good))
    assert "unchanged, and the newest" in capsys.readouterr().out
    with pytest.raises(CommandError, match="1 of 2 cannot be relied on"):
        call_command("verify", str(good), str(bad))
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("verify", str(tmp_path / "none.pdf"))


@pytest.mark.paper
def test_both_papers_carry_a_code_that_is_read(sheet: InstallSheet) -> None:
    for pdf in (bytes(sheet.pdf), render.customer_pdf(sheet.document)):
        pages = [page.render(scale=3).to_pil() for page in PdfDocument(pdf)]
        read = {code.text for page in pages for code in zxingcpp.read_barcodes(page)}
        assert ADDRESS in read
    # A record from before there was an address has no code, and renders.
    del sheet.document["shop"]["verify_address"]
    assert "sheet-check" not in render.sheet_html(sheet.document)
