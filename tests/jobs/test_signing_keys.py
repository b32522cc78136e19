"""Which signing key is the book's: no other signs, one is exchanged, and what was signed holds."""

import os
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.utils import timezone

from jobs import own_certificates, signer, signing
from jobs.errors import Refused
from jobs.models import CheckIn, InstallSheet, Seal, SigningCertificate
from jobs.record_key import KeyLost, key, key_id, key_path
from jobs.services import record
from jobs.setups import exchange
from jobs.sheet import render, verify as checked
from jobs.sheet.record_check import check_book, check_sheet
from jobs.sheet.sign_off import collect_job
from jobs.sheet.verify import verify
from shop import frozen
from shop.models import ShopEvent
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def quickly_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorter keys: what is looked at here is whose they are."""
    for module in (signing, signer):
        monkeypatch.setattr(module, "KEY_BITS", 2048)


@pytest.fixture
def sheet(data_folder: Path) -> InstallSheet:
    workshop = Workshop()
    job = workshop.ready()
    record.seal_check_in(CheckIn.objects.get(job=job))
    return workshop.sign(job)


def another_machine(folder: Path, settings: Any) -> Path:
    """A second machine with the book's record key, and a signing key of its own."""
    other = folder.with_name("other")
    other.mkdir()
    (other / "record.key").write_bytes((folder / "record.key").read_bytes())
    settings.DATA_DIR = other
    signing.new_shop_key("Another")
    return other


@pytest.mark.once
def test_a_machine_with_another_signing_key_signs_nothing_and_says_which_file_to_copy(
    sheet: InstallSheet, data_folder: Path, settings: Any, client: Client
) -> None:
    """Two machines of one book; then the same of a book from before it knew its certificates."""
    number = sheet.job.number
    for book_from_before in (False, True):
        if book_from_before:
            frozen.remove(connection)
            SigningCertificate.objects.all().delete()
            frozen.install(connection)
        other = another_machine(data_folder, settings)
        with pytest.raises(KeyLost, match=r"signing key here is not this book’s: .*other/sign"):
            collect_job(sheet.job_id, sheet.signed_by, "ODA BRENNICK")
        with pytest.raises(CommandError, match=r"Copy signing\.pem from the machine"):
            call_command("check_record")
        assert (client.get("/readyz").status_code == 503) is not book_from_before
        client.force_login(sheet.signed_by)
        page = client.get(f"/sheets/{number}-1/").content.decode()
        assert "not this book’s" in page and "Unchanged" not in page
        assert SigningCertificate.objects.count() == (not book_from_before)
        (other / "signing.pem").write_bytes((data_folder / "signing.pem").read_bytes())
        assert list(check_book()) == []
        assert client.get("/readyz").content == b"ready"
        assert signing.shop_key("").certificate.sha256.hex() == own_fingerprint()
        (other / "signing.pem").unlink()
        (other / "record.key").unlink()
        other.rmdir()
        settings.DATA_DIR = data_folder


def own_fingerprint() -> str:
    return SigningCertificate.objects.latest("pk").fingerprint


@pytest.mark.once
def test_an_exchanged_key_signs_from_now_on_and_what_was_signed_before_holds(
    sheet: InstallSheet, data_folder: Path, client: Client, capsys: Any
) -> None:
    drawn = render.customer_pdf(sheet.document)
    former = (data_folder / "signing.pem").read_bytes()
    sender = exchange.Sender("", own_fingerprint(), own=True)
    call_command("exchange_signing_key")
    assert own_fingerprint() != sender.fingerprint
    told = own_certificates.known()[-1].fingerprint.upper()
    assert told in capsys.readouterr().out.replace(" ", "")
    assert ShopEvent.objects.get(code=signing.EXCHANGED).after["fingerprint"] == told.lower()
    assert (data_folder / "signing.pem").read_bytes() != former
    assert not (data_folder / "signing.pem.coming").exists()
    later = render.customer_pdf(sheet.document)
    assert own_certificates.signed_with(later) == own_fingerprint()
    for pdf in (bytes(sheet.pdf), drawn, later):
        assert verify(pdf).kind == checked.NEWEST
    changed = drawn[:900] + bytes([drawn[900] ^ 1]) + drawn[901:]
    assert verify(changed).kind in {checked.CHANGED, checked.NOT_OURS}
    assert check_sheet(sheet).all and list(check_book()) == []
    page = client.get("/verify/").content.decode().replace(" ", "")
    assert [one.upper() in page for one in (own_fingerprint(), sender.fingerprint)] == [True, True]
    (data_folder / "signing.pem").write_bytes(former)
    with pytest.raises(KeyLost, match="not this book’s"):
        render.customer_pdf(sheet.document)
    with pytest.raises(CommandError, match="not this book’s"):
        call_command("exchange_signing_key")


@pytest.mark.once
def test_a_key_that_others_may_have_vouches_for_nothing_but_what_the_book_has_kept(
    sheet: InstallSheet, data_folder: Path, client: Client
) -> None:
    drawn, first = render.customer_pdf(sheet.document), own_fingerprint()
    call_command("exchange_signing_key", others_have_it=True)
    between = render.customer_pdf(sheet.document)
    call_command("exchange_signing_key")
    assert first.upper() not in client.get("/verify/").content.decode().replace(" ", "")
    kinds = [verify(pdf).kind for pdf in (bytes(sheet.pdf), drawn, between)]
    assert kinds == [checked.NEWEST, checked.FORMER, checked.NEWEST]
    assert list(check_book()) == []
    # Keyed anew, since the record's key is lost: it is still told which key others may have.
    key_path().unlink()
    record.seal_anew()
    assert verify(drawn).kind == checked.FORMER and list(check_book()) == []
    assert [row.number for row in own_certificates.known()] == [1, 2, 3]


@pytest.mark.once
def test_an_exchange_that_is_cut_off_leaves_one_key_that_signs(
    data_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the book names the new key, and after it, before the file is in its place."""
    first = signing.shop_key("Lantern Lane Sound").certificate.sha256.hex()

    def cut(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(own_certificates, "add_next", cut)
        signing.exchange("Lantern Lane Sound")
    assert signing.shop_key("").certificate.sha256.hex() == own_fingerprint() == first
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(os, "replace", cut)
        signing.exchange("Lantern Lane Sound")
    second = own_fingerprint()
    assert second != first and signing.key_here().certificate.sha256.hex() == first
    assert signing.shop_key("").certificate.sha256.hex() == second
    assert signing.exchange("Lantern Lane Sound").certificate.sha256.hex() == own_fingerprint()
    assert [row.number for row in own_certificates.known()] == [1, 2, 3]
    assert [path.name for path in data_folder.glob("signing.pem*")] == ["signing.pem"]


@pytest.mark.once
def test_whoever_writes_to_the_database_alone_makes_no_certificate_the_books(
    sheet: InstallSheet, data_folder: Path, settings: Any
) -> None:
    own = own_fingerprint()
    forged = {"number": 2, "fingerprint": "ab" * 32, "at": timezone.now(), "mac": "cd" * 32}
    SigningCertificate.objects.create(**forged, key_id=key_id(key()))
    assert [row.fingerprint for row in own_certificates.known()] == [own]
    assert list(check_book()) == ["Signing certificate 2 was put in or changed by hand."]
    assert own_certificates.signed_with(render.customer_pdf(sheet.document)) == own
    # With another book's key of the record nobody says whose certificate it is.
    key_path().write_text("ab" * 32)
    with pytest.raises(KeyLost, match="key of the record here is not this book’s"):
        signing.shop_key("")
    assert SigningCertificate.objects.count() == 2 and Seal.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_of_two_machines_that_sign_first_or_exchange_at_once_one_does(
    data_folder: Path,
) -> None:
    """Each with a key of its own, as before one was copied; the same key may come twice."""
    key()
    ours, theirs = "ab" * 32, "cd" * 32
    answers = at_once(
        *(lambda one=one: own_certificates.is_signing(one) for one in (ours, theirs, ours, theirs))
    )
    assert sorted(map(str, answers)) == ["False", "False", "True", "True"]
    assert answers[0] == answers[2] and answers[1] == answers[3]
    first = own_fingerprint()
    assert SigningCertificate.objects.count() == 1 and first == (ours if answers[0] else theirs)
    answers = at_once(
        *(
            lambda one=one: own_certificates.add_next(first, one, distrusts=False)
            for one in ("12" * 32, "34" * 32)
        )
    )
    assert sum(isinstance(answer, Refused) for answer in answers) == 1
    assert [row.number for row in own_certificates.known()] == [1, 2]
