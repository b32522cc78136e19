"""Mail to customers over a real line: what a mail server answers, and where it falls silent."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from django.db import connection
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import Delivery, Mail
from jobs.services.desk import said_on
from jobs.sheet.mail import LONGEST_ON_ITS_WAY, PAUSES_MIN, ask_for_mail, send_due
from shop.project.settings import _mail
from shop.roles import Role
from tests.factories import CustomerFactory, VehicleFactory, make_job, make_staff
from tests.mail_server import MailServer, mail_server

pytestmark = pytest.mark.django_db
FROM = "Sørby & Lind Klang <desk@example.org>"
TO = "ines@bücher.example"
TEXT = "Guten Tag, Ines.\n.It is ready: 12.50 € — ありがとう\n" + "long " * 250 + "\nEnd"

Start = Callable[..., MailServer]


@pytest.fixture
def start(settings: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    """Starts a server and points the shop to it, by the address given in the environment."""
    with ExitStack() as running:

        def begin(server: MailServer, scheme: str = "smtp", tls: str = "no") -> MailServer:
            running.enter_context(mail_server(server))
            address = f"{scheme}://127.0.0.1:{server.port}?tls={tls}&from={quote(FROM)}"
            monkeypatch.setenv("LOOMBOOK_MAIL", address)
            settings.MAIL_SERVER = _mail()
            for name, value in _mail().items():
                setattr(settings, name, value)
            return server

        yield begin


def asked(to: str = TO, text: str = TEXT) -> Mail:
    owner = CustomerFactory(name="Ínés Hallørán", email=to)
    job = make_job(Stage.SIGNED_OFF, vehicle=VehicleFactory(owner=owner))
    desk = make_staff(Role.FRONT_DESK)
    return ask_for_mail(job.number, "ready", "Prêt : ready — 準備", text, actor=desk)


def now_of(mail: Mail) -> Mail:
    mail.refresh_from_db()
    return mail


def test_what_arrives_is_what_was_written(start: Start) -> None:
    """Two of one text to two customers; names and subject beyond ASCII, a line with a dot."""
    server = start(MailServer())
    mails = [asked(), asked("ines@example.org")]
    assert send_due() == 2
    assert send_due() == 0
    first, second = server.taken
    assert str(first["subject"]) == "Prêt : ready — 準備"
    assert str(first["from"].addresses[0].display_name) == "Sørby & Lind Klang"
    assert first["from"].addresses[0].addr_spec == "desk@example.org"
    assert [one["to"].addresses[0].addr_spec for one in server.taken] == [
        "ines@xn--bcher-kva.example",
        "ines@example.org",
    ]
    assert [line for line in server.said if line.startswith("rcpt")] == [
        "rcpt TO:<ines@xn--bcher-kva.example>",
        "rcpt TO:<ines@example.org>",
    ]
    for message in (first, second):
        assert message.get_content().replace("\r\n", "\n").rstrip("\n") == TEXT.strip()
    assert first["message-id"] != second["message-id"]
    assert [now_of(mail).delivery for mail in mails] == [Delivery.SENT] * 2
    assert all(len(said_on(mail.job)) == 1 for mail in mails)


@pytest.mark.parametrize("where", ["HELLO", "MAIL", "RCPT", "DATA", "TEXT"])
def test_told_to_come_again_it_comes_again_and_then_it_is_taken_once(
    start: Start, where: str
) -> None:
    server = start(MailServer(answers={where: ["451 come again"]}))
    mail, now = asked(), timezone.now()
    assert send_due(now=now) == 0
    assert (now_of(mail).delivery, mail.tries) == (Delivery.WAITING, 1)
    assert "451" in mail.problem or "come again" in mail.problem
    assert said_on(mail.job) == []
    server.taken.clear()
    assert send_due(now=now + timedelta(minutes=PAUSES_MIN[0])) == 1
    assert (now_of(mail).delivery, len(server.taken)) == (Delivery.SENT, 1)


@pytest.mark.parametrize(("where", "answer"), [("RCPT", "550 nobody"), ("TEXT", "554 unwanted")])
def test_refused_for_good_it_is_given_up(start: Start, where: str, answer: str) -> None:
    server = start(MailServer(answers={where: [answer] * 9}))
    mail = asked()
    send_due()
    assert now_of(mail).delivery == Delivery.REFUSED
    assert answer[4:] in mail.problem
    send_due(now=timezone.now() + timedelta(days=9))
    assert server.times("MAIL") == 1


def test_cut_off_behind_the_text_it_is_asked_about_and_never_sent_again(start: Start) -> None:
    server = start(MailServer(answers={"TEXT": ["CUT"]}))
    mail = asked()
    send_due()
    assert now_of(mail).delivery == Delivery.UNSURE
    send_due(now=timezone.now() + timedelta(days=9))
    assert len(server.taken) == 1
    assert said_on(mail.job) == []


@pytest.mark.parametrize(
    "server",
    [
        MailServer(),
        MailServer(offers=("STARTTLS",), answers={"STARTTLS": ["454 not now"] * 9}),
        MailServer(offers=("STARTTLS",)),
    ],
    ids=["not offered", "refused", "a certificate nobody knows"],
)
def test_without_a_line_that_is_private_nothing_is_given(
    start: Start, server: MailServer, tmp_path: Path
) -> None:
    server.certificate = certificate(tmp_path)
    start(server, tls="yes")
    mail = asked()
    assert send_due() == 0
    assert (now_of(mail).delivery, mail.tries) == (Delivery.WAITING, 1)
    assert mail.problem
    assert server.taken == []
    assert server.times("MAIL") == server.times("AUTH") == 0


def certificate(folder: Path) -> Path:
    """A key and a certificate that only its maker knows."""
    path = folder / "mail.pem"
    subprocess.run(
        f"openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=127.0.0.1 -keyout {path}"
        f" -out {path}.crt".split(),
        check=True,
        capture_output=True,
    )
    path.write_text(path.read_text() + Path(f"{path}.crt").read_text())
    return path


@pytest.mark.django_db(transaction=True)
def test_a_worker_killed_while_the_server_has_the_text(start: Start) -> None:
    """It was taken and nobody heard so: no other worker sends it again."""
    server = start(MailServer(holds_the_text=True))
    mail = asked()
    worker = subprocess.Popen([sys.executable, "-c", WORKER], env=surroundings(), text=True)
    try:
        assert server.has_text.wait(20), "the worker gave no text"
    finally:
        os.kill(worker.pid, signal.SIGKILL)
        worker.wait(20)
    server.let_go.set()
    assert now_of(mail).delivery == Delivery.GOING
    soon, late = (timezone.now() + LONGEST_ON_ITS_WAY + timedelta(seconds=more) for more in (-5, 5))
    send_due(now=soon)
    assert now_of(mail).delivery == Delivery.GOING
    send_due(now=late)
    assert now_of(mail).delivery == Delivery.UNSURE
    send_due(now=late + timedelta(days=9))
    assert len(server.taken) == 1
    assert said_on(mail.job) == []


WORKER = """
import os, django
from django.db import connection
django.setup()
connection.settings_dict["NAME"] = os.environ["TEST_DATABASE"]
from jobs.sheet.mail import send_due
send_due()
"""


def surroundings() -> dict[str, str]:
    """What a worker of its own needs to find the test's database and mail server."""
    name = str(connection.settings_dict["NAME"])
    return {**os.environ, "DJANGO_SETTINGS_MODULE": "shop.project.settings", "TEST_DATABASE": name}
