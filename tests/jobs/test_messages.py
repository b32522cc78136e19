"""Writing to a customer: the job's own facts, opened in the person's own program, noted once."""

from email import policy
from email.parser import BytesParser
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
from django.test import Client
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.lists.messages import MESSAGES
from jobs.services.desk import said_on, withdraw
from jobs.views.messages import links
from shop.roles import Role
from tests.factories import CustomerFactory, VehicleFactory, make_job, make_shop, make_staff

pytestmark = pytest.mark.django_db


def test_each_message_speaks_of_its_own_customer_and_car() -> None:
    """Two customers of one name, one phone each."""
    shop = make_shop(name="Heronsway Sound", phone="555 0140")
    jobs = [
        make_job(vehicle=VehicleFactory(owner=CustomerFactory(name="Ines Halloran", phone=phone)))
        for phone in ("+44 161 496 0123", "555 0172")
    ]
    for job, other in (jobs, jobs[::-1]):
        for one in MESSAGES.values():
            text = one.text(job, shop)
            assert job.vehicle.plate in text
            assert other.vehicle.plate not in text
            assert "Ines Halloran" in text
            assert "Heronsway Sound" in text
    assert links(jobs[0], "S", "T")["sms"].startswith("sms:+441614960123?")
    assert links(jobs[1], "S", "T")["sms"].startswith("sms:5550172?")


def test_the_links_carry_the_text_whole() -> None:
    text = "Hello & welcome?\n100 % ready: a=b + c\n“Done”"
    job = make_job(vehicle=VehicleFactory(owner=CustomerFactory(email="ines@example.org")))
    made = links(job, "J1: a & b", text)
    assert unquote(made["sms"].partition("?body=")[2]) == text
    mail = urlsplit(made["mail"])
    asked = parse_qs(mail.query, keep_blank_values=True)
    assert asked["subject"] == ["J1: a & b"]
    assert asked["body"] == [text.replace("\n", "\r\n")]
    raw = f"To: {mail.path}\nSubject: {asked['subject'][0]}\n\n".encode()
    assert BytesParser(policy=policy.default).parsebytes(raw)["to"] == "ines@example.org"
    nobody = make_job(vehicle=VehicleFactory(owner=CustomerFactory(email="", phone="")))
    assert links(nobody, "S", "T") == {"sms": "", "mail": ""}


def test_a_message_is_noted_once_a_page_and_said_to_be_sent(client: Client) -> None:
    desk = make_staff(Role.FRONT_DESK)
    client.force_login(desk)
    job = make_job(Stage.SIGNED_OFF)
    url = reverse("message", args=[job.number])
    page = client.get(url)
    assert page.context["name"] == "ready"
    assert "Sent already" not in page.content.decode()
    sent = {"kind": "ready", "text": "It is ready.", "key": "d_7", "by_itself": "1"}
    for _ in range(2):
        assert client.post(url, sent).status_code == 204
    assert [one.after["text"] for one in said_on(job)] == ["It is ready."]
    assert "Sent already" in client.get(url).content.decode()
    assert "Sent already" not in client.get(url, {"kind": "thanks"}).content.decode()
    withdraw(job.number, said_on(job)[0].pk, actor=desk)
    assert "Sent already" not in client.get(url).content.decode()
    refused = client.post(url, {"kind": "ready", "text": " "})
    assert refused.status_code == 422
    client.force_login(make_staff(Role.TECHNICIAN))
    assert client.get(url).status_code == 403
