"""The papers of a signed sheet go to the customer by mail: the right ones, once, the newest."""

from typing import Any

import pytest
from django.core import mail as outbox
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Delivery, InstallSheet, Job, Mail, SheetReceipt
from jobs.services.desk import said_on
from jobs.services.moves import move
from jobs.sheet import render
from jobs.sheet.mail import ask_for_mail, send_due
from jobs.sheet.sign_off import collect_job
from jobs.sheet.verify import NEWEST, verify
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _mail_server(settings: Any) -> None:
    settings.MAIL_SERVER = {"EMAIL_HOST": "mail.example.org"}


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def signed_for(workshop: Workshop, email: str) -> InstallSheet:
    """A sheet of a job whose customer has this address."""
    sheet = workshop.sign(workshop.ready())
    customer = sheet.job.customer
    customer.email = email
    customer.save()
    return sheet


def asked(workshop: Workshop, sheet: InstallSheet, *papers: str, text: str = "Here it is.") -> Mail:
    return ask_for_mail(
        sheet.job.number, "thanks", "Papers", text, actor=workshop.desk, sheet=sheet, papers=papers
    )


@pytest.mark.once
def test_handed_over_each_customer_gets_the_page_of_their_own_car(workshop: Workshop) -> None:
    sheets = [signed_for(workshop, f"{name}@example.org") for name in ("tessa", "ines")]
    for sheet in sheets:
        collect_job(sheet.job_id, workshop.desk, "TESSA ROWAN", mailed=True)
    assert send_due() == 2
    assert [message.to for message in outbox.outbox] == [
        ["tessa@example.org"],
        ["ines@example.org"],
    ]
    for sheet, message in zip(sheets, outbox.outbox, strict=True):
        [(name, pdf, kind)] = message.attachments
        assert (name, kind) == (f"{sheet.number}-customer.pdf", "application/pdf")
        assert isinstance(pdf, bytes)
        assert (verify(pdf).kind, verify(pdf).number) == (NEWEST, sheet.number)
        assert f"With this mail: {name}" in str(message.body)
        assert [one.after["text"] for one in said_on(sheet.job)] == [message.body]


def test_without_a_tick_nothing_goes_and_a_refused_mail_leaves_the_car_here(
    workshop: Workshop, client: Client
) -> None:
    client.force_login(workshop.desk)
    sheet = signed_for(workshop, "tessa at example")
    url = reverse("collect", args=[sheet.job.number])
    page = client.get(url).content.decode()
    assert "Mail the customer’s page to tessa at example" in page
    typed = {"signature_name": "TESSA ROWAN"}
    refused = client.post(url, {**typed, "mail": "1"})
    assert refused.status_code == 422
    said = refused.content.decode()
    assert "is no mail address" in said
    assert 'value="TESSA ROWAN"' in said
    assert not SheetReceipt.objects.exists()
    client.post(url, typed)
    assert Job.objects.get(pk=sheet.job_id).stage == Stage.COLLECTED
    assert not Mail.objects.exists()


def test_without_a_mail_server_or_address_none_is_offered(
    workshop: Workshop, client: Client, settings: Any
) -> None:
    client.force_login(workshop.desk)
    sheet = signed_for(workshop, "")
    url = reverse("collect", args=[sheet.job.number])
    assert "enter one" in client.get(url).content.decode()
    assert 'name="mail"' not in client.get(url).content.decode()
    settings.MAIL_SERVER = {}
    assert "enter one" not in client.get(url).content.decode()


def test_what_was_corrected_meanwhile_does_not_go_out(workshop: Workshop) -> None:
    first, other = (signed_for(workshop, f"{name}@example.org") for name in ("tessa", "ines"))
    old, still = asked(workshop, first, "customer"), asked(workshop, other, "customer")
    move(first.job_id, "correct", workshop.manager, "Serial number was misread")
    first.job.parts.filter(label="A1").update(serial="WF-20481")
    move(first.job_id, "hand_correction", workshop.technician)
    second = workshop.sign(first.job)
    assert send_due() == 1
    old.refresh_from_db()
    still.refresh_from_db()
    assert (old.delivery, still.delivery) == (Delivery.REFUSED, Delivery.SENT)
    assert f"send {second.number}" in old.problem


def test_a_paper_that_cannot_be_made_is_tried_again_and_holds_nothing_up(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = signed_for(workshop, "tessa@example.org")
    broken = asked(workshop, sheet, "wiring")
    plain = asked(workshop, sheet, text="Only words.")

    def fails(*_: Any) -> bytes:
        raise RuntimeError("no room for a picture")

    with monkeypatch.context() as patched:
        patched.setattr(render, "wiring_pdf", fails)
        assert send_due() == 1
    broken.refresh_from_db()
    plain.refresh_from_db()
    assert (broken.delivery, plain.delivery) == (Delivery.WAITING, Delivery.SENT)
    assert broken.problem == "no room for a picture"
    assert broken.not_before > timezone.now()
    assert send_due(now=broken.not_before) == 1
    assert [name for name, *_ in outbox.outbox[-1].attachments] == [f"{sheet.number}-wiring.pdf"]


def test_the_desk_chooses_what_goes_with_a_message(workshop: Workshop, client: Client) -> None:
    client.force_login(workshop.desk)
    sheet = signed_for(workshop, "tessa@example.org")
    url = reverse("message", args=[sheet.job.number])
    page = client.get(url, {"kind": "thanks"}).context["papers"]
    assert [(name, ticked) for name, _, ticked in page] == [
        ("customer", True),
        ("install", False),
        ("wiring", False),
    ]
    words = {"kind": "thanks", "text": "Thank you.", "do": "mail", "key": "k_1"}
    client.post(url, {**words, "paper": ["install", "customer", "elsewhere"]})
    mail = sheet.job.mails.get()
    assert (mail.sheet, mail.papers) == (sheet, ["customer", "install"])
    assert send_due() == 1
    assert outbox.outbox[0].attachments[1] == (
        f"{sheet.number}.pdf",
        bytes(sheet.pdf),
        "application/pdf",
    )


@pytest.mark.django_db(transaction=True)
def test_handed_over_twice_at_once_is_one_receipt_and_one_mail(workshop: Workshop) -> None:
    sheet = signed_for(workshop, "tessa@example.org")

    def hand_over() -> object:
        return collect_job(sheet.job_id, workshop.desk, "TESSA ROWAN", mailed=True)

    answers = at_once(hand_over, hand_over)
    assert sum(isinstance(one, Refused) for one in answers) == 1
    assert (SheetReceipt.objects.count(), Mail.objects.count()) == (1, 1)
