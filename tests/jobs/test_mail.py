"""Mail to customers: asked for once, sent once, and what nobody can know is asked."""

import smtplib
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail as outbox
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Delivery, Job, Mail
from jobs.services.desk import said_on
from jobs.sheet.mail import (
    LONGEST_ON_ITS_WAY,
    PAUSES_MIN,
    ask_for_mail,
    call_back,
    send_due,
    settle,
)
from shop.roles import Role
from tests.factories import CustomerFactory, VehicleFactory, make_job, make_staff
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _mail_server(settings: Any) -> None:
    settings.MAIL_SERVER = {"EMAIL_HOST": "mail.example.org"}


class Server:
    """A mail server that fails in the same way at each try."""

    def __init__(self, opening: Exception | None = None, taking: Exception | None = None) -> None:
        self.opening, self.taking = opening, taking
        self.tries = 0

    def open(self) -> None:
        self.tries += 1
        if self.opening:
            raise self.opening

    def send_messages(self, messages: list[Any]) -> int:
        if self.taking:
            raise self.taking
        return len(messages)

    def close(self) -> None:
        pass

    def __call__(self) -> Any:
        return self


def _asked(job: Job | None = None, text: str = "It is ready.", key: str = "") -> Mail:
    job = job or make_job(Stage.SIGNED_OFF)
    desk = make_staff(Role.FRONT_DESK)
    return ask_for_mail(job.number, "ready", "Ready", text, actor=desk, key=key)


def test_it_goes_out_once_to_its_own_customer_and_is_noted_then() -> None:
    """Two customers of one name."""
    jobs = [
        make_job(
            Stage.SIGNED_OFF,
            vehicle=VehicleFactory(owner=CustomerFactory(name="Ines Halloran", email=email)),
        )
        for email in ("ines@example.org", "halloran@example.org")
    ]
    first = _asked(jobs[0], key="k1")
    assert _asked(jobs[0], key="k1").pk == first.pk
    assert said_on(jobs[0]) == []
    assert send_due() == 1
    assert send_due() == 0
    assert [one.to for one in outbox.outbox] == [["ines@example.org"]]
    assert outbox.outbox[0].body == "It is ready."
    assert [one.after["text"] for one in said_on(jobs[0])] == ["It is ready."]
    assert said_on(jobs[1]) == []
    _asked(jobs[0])  # The same words once more, wanted again after they went out.
    assert send_due() == 1


def test_what_cannot_be_asked_for_says_what_to_do(settings: Any) -> None:
    mail = _asked()
    with pytest.raises(Refused, match="on its way to this address already"):
        _asked(mail.job)
    with pytest.raises(Refused, match="Write the text first"):
        _asked(mail.job, " ")
    nobody = make_job(vehicle=VehicleFactory(owner=CustomerFactory(email="")))
    with pytest.raises(Refused, match="Enter a mail address for"):
        _asked(nobody)
    settings.MAIL_SERVER = {}
    with pytest.raises(Refused, match="No mail server is set"):
        _asked(mail.job, "Something else.")
    assert Mail.objects.count() == 1


def test_called_back_it_does_not_go_out_and_what_went_out_is_not_called_back() -> None:
    mail = _asked()
    for _ in range(2):
        assert call_back(mail.job.number, mail.pk).delivery == Delivery.CALLED_BACK
    assert send_due() == 0
    gone = _asked(mail.job)
    send_due()
    with pytest.raises(Refused, match="has gone out already"):
        call_back(mail.job.number, gone.pk)


@pytest.mark.parametrize(
    "server",
    [
        Server(opening=ConnectionRefusedError("nobody there")),
        Server(opening=smtplib.SMTPAuthenticationError(535, b"wrong password")),
        Server(taking=smtplib.SMTPRecipientsRefused({"a@example.org": (450, b"try later")})),
        Server(taking=smtplib.SMTPDataError(451, b"try later")),
    ],
    ids=["away", "password", "greylisted", "busy"],
)
def test_what_was_surely_not_sent_is_tried_with_growing_pauses_and_given_up(server: Server) -> None:
    mail, now = _asked(), timezone.now()
    for minutes in PAUSES_MIN:
        send_due(server, now)
        mail.refresh_from_db()
        assert mail.delivery == Delivery.WAITING
        assert mail.problem
        assert mail.not_before == now + timedelta(minutes=minutes)
        tries = server.tries
        assert send_due(server, mail.not_before - timedelta(seconds=1)) == 0
        assert server.tries == tries
        now = mail.not_before
    send_due(server, now)
    mail.refresh_from_db()
    assert mail.delivery == Delivery.REFUSED
    assert said_on(mail.job) == []


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (smtplib.SMTPRecipientsRefused({"a": (550, b"no such person")}), Delivery.REFUSED),
        (smtplib.SMTPDataError(554, b"no"), Delivery.REFUSED),
        (smtplib.SMTPServerDisconnected("gone"), Delivery.UNSURE),
        (TimeoutError("no answer"), Delivery.UNSURE),
    ],
    ids=["unknown", "unwanted", "broken", "silent"],
)
def test_a_refusal_for_good_is_no_doubt_and_a_broken_connection_is(
    error: Exception, expected: Delivery
) -> None:
    mail = _asked()
    send_due(Server(taking=error))
    mail.refresh_from_db()
    assert mail.delivery == expected
    send_due()
    assert outbox.outbox == []
    settle(mail.job.number, mail.pk, arrived=True, actor=mail.by)
    settle(mail.job.number, mail.pk, arrived=True, actor=mail.by)
    assert len(said_on(mail.job)) == (expected == Delivery.UNSURE)


def test_killed_on_the_way_it_is_asked_about_and_not_sent_again() -> None:
    class Killed(BaseException):
        pass

    mail, now = _asked(), timezone.now()
    with pytest.raises(Killed):
        send_due(Server(taking=Killed()), now)  # type: ignore[arg-type]  # no Exception
    send_due(now=now + LONGEST_ON_ITS_WAY)
    mail.refresh_from_db()
    assert mail.delivery == Delivery.GOING
    send_due(now=now + LONGEST_ON_ITS_WAY + timedelta(seconds=1))
    mail.refresh_from_db()
    assert mail.delivery == Delivery.UNSURE
    assert outbox.outbox == []
    settle(mail.job.number, mail.pk, arrived=False, actor=mail.by)
    mail.refresh_from_db()
    assert mail.delivery == Delivery.REFUSED


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_raced_it_is_asked_for_once_and_goes_out_once() -> None:
    job, desk = make_job(Stage.SIGNED_OFF), make_staff(Role.FRONT_DESK)

    def ask() -> Mail:
        return ask_for_mail(job.number, "ready", "Ready", "Yes.", actor=desk, key="once")

    assert len({one.pk for one in at_once(ask, ask, ask)}) == 1
    sent = at_once(send_due, send_due, send_due)
    assert sorted(sent) == [0, 0, 1]
    mail = Mail.objects.get()
    assert mail.delivery == Delivery.SENT
    late = _asked(job, "Another.")
    called, went = at_once(lambda: call_back(job.number, late.pk), send_due)
    late.refresh_from_db()
    if isinstance(called, Refused):
        assert (went, late.delivery) == (1, Delivery.SENT)
    else:
        assert (went, late.delivery) == (0, Delivery.CALLED_BACK)


def test_from_the_page_to_the_desk_log(client: Client, settings: Any) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    job = make_job(Stage.SIGNED_OFF)
    url = reverse("message", args=[job.number])
    assert "Send by mail" in client.get(url).content.decode()
    refused = client.post(url, {"kind": "ready", "text": " ", "do": "mail", "key": "k_1"})
    assert refused.status_code == 422
    client.post(url, {"kind": "ready", "text": "It is ready.", "do": "mail", "key": "k_2"})
    mail = job.mails.get()
    page = client.get(job.get_absolute_url()).content.decode()
    assert "Waits to go out" in page
    assert "Waits to go out" in client.get(url, {"kind": "ready"}).content.decode()
    client.post(reverse("mail_call_back", args=[job.number, mail.pk]))
    assert "Waits to go out" not in client.get(job.get_absolute_url()).content.decode()
    other = make_job()
    strange = client.post(reverse("mail_call_back", args=[other.number, mail.pk]))
    assert strange.status_code == 404
    settings.MAIL_SERVER = {}
    assert "Send by mail" not in client.get(url).content.decode()
