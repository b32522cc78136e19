"""Other programs are told what happened: signed, at least once, and nowhere they should not be."""

import base64
import json
import socket
import ssl
import threading
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from standardwebhooks.webhooks import Webhook

from jobs.errors import AskFirst, Refused
from jobs.lifecycle import Stage
from jobs.models import Hook, HookDelivery, Job, News, Told
from jobs.services import hooks
from jobs.services.booking import Booking, Slot, book
from jobs.services.events import log
from jobs.services.moves import move
from shop import outgoing
from shop.models import ShopEvent, StaffMember
from shop.outgoing import Answer
from shop.roles import Role
from shop.server import certificates
from tests.factories import PASSWORD, make_hook, make_job, make_staff
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


class Other:
    """Another program: keeps what it was sent, and answers as it is told to."""

    def __init__(self, *answers: Answer | BaseException) -> None:
        self.answers = list(answers)
        self.sent: list[tuple[str, bytes, Mapping[str, str]]] = []

    def __call__(self, address: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        self.sent.append((address, body, headers))
        answer = self.answers.pop(0) if self.answers else Answer(200, "thanks")
        if isinstance(answer, BaseException):
            raise answer
        return answer


@pytest.mark.once
def test_the_signature_is_that_of_the_open_specification() -> None:
    """The published test vector of Standard Webhooks 1.0.0 (2023), which the libraries of the
    specification and of others carry in their tests, and its library for Python."""
    secret, message = "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek"
    body = '{"test": 2432232314}'
    made = hooks.signature(base64.b64decode(secret), message, 1614265330, body)
    assert made == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    at = datetime.fromtimestamp(1614265330, UTC)
    assert made == Webhook(f"whsec_{secret}").sign(message, at, body)


def test_what_happens_to_a_job_is_told_in_its_transaction_and_signed() -> None:
    workshop = Workshop()
    _, secret = make_hook(workshop.manager)
    elsewhere = "http://127.0.0.1:9/other"
    make_hook(workshop.manager, News.COMEBACK, name="Other", address=elsewhere)
    job = workshop.ready()
    workshop.sign(job)
    move(job.pk, "correct", workshop.manager, reason="Wrong fuse")
    _come_back(job, workshop.manager)
    other = Other()
    hooks.send_due(other)
    told = []
    for address, body, headers in other.sent:
        if address == elsewhere:
            assert json.loads(body)["type"] == News.COMEBACK
            continue
        told.append(Webhook(secret).verify(body, dict(headers)))
        if len(told) == 1:
            with pytest.raises(Exception, match="No matching signature"):
                Webhook(secret).verify(body + b" ", dict(headers))
        text = body.decode()
        assert job.customer.name not in text and job.vehicle.plate not in text
    kinds = [one["type"] for one in told]
    assert {*News} - {News.TEST} == set(kinds) and len(other.sent) == len(kinds) + 1
    signed = next(one for one in told if one["type"] == News.SIGNED)
    assert signed["data"] == {"job": job.number, "sheet": f"J{job.number}-1"}
    assert len({headers["webhook-id"] for *_, headers in other.sent}) == len(other.sent)
    assert HookDelivery.objects.filter(state=Told.TAKEN).count() == len(other.sent)


def _come_back(job: Job, actor: StaffMember) -> None:
    begins = timezone.now() + timedelta(days=700)
    ends = begins + timedelta(hours=4)
    wanted = Booking(
        customer=job.customer,
        vehicle=job.vehicle,
        slot=Slot(job.bay, begins, ends),
        promised_at=ends,
        wants="It hums",
        comeback_of=job,
    )
    try:
        book(wanted, actor)
    except AskFirst as asked:
        book(wanted, actor, asked.token)


@pytest.mark.once
def test_a_save_asks_nothing_and_a_move_once() -> None:
    job, who = make_job(Stage.IN_BAY), make_staff(Role.MANAGER)

    def asked(code: str) -> int:
        after = {"stage": "on_hold"}
        with CaptureQueriesContext(connection) as queries:
            log(job, who, code, before={"stage": "in_bay"}, after=after)
        return sum("hook" in one["sql"] for one in queries)

    assert (asked("channel.changed"), asked("job.hold")) == (0, 1)
    make_hook(who)
    assert (asked("channel.changed"), asked("job.hold")) == (0, 2)
    assert HookDelivery.objects.count() == 1


@pytest.mark.once
def test_a_refusal_is_tried_again_for_a_day_then_given_up_shown_and_sent_again() -> None:
    manager = make_staff(Role.MANAGER)
    hook, _ = make_hook(manager)
    delivery = hooks.test(hook.pk)
    now = timezone.now()
    other = Other(*[OSError("refused")] * 4, *[Answer(503, "later")] * 4)
    began = now
    for pause in (*hooks.PAUSES_MIN, 0):
        assert hooks.send_due(other, now) == 0
        assert hooks.send_due(other, now) == 0, "not before its time"
        now += timedelta(minutes=pause)
    assert timedelta(days=1) <= now - began <= timedelta(days=1.2)
    delivery.refresh_from_db()
    assert (delivery.state, delivery.answered) == (Told.GIVEN_UP, "503 later")
    assert len({headers["webhook-id"] for *_, headers in other.sent}) == 1 and len(other.sent) == 8
    client = Client()
    client.force_login(manager)
    page = client.get(reverse("hook", args=[hook.pk])).content.decode()
    assert "503 later" in page and "Send again" in page
    client.post(reverse("hook_again", args=[hook.pk, delivery.pk]))
    assert hooks.send_due(other) == 1
    gone = hooks.test(hook.pk)
    hooks.send_due(Other(Answer(410, "")))
    gone.refresh_from_db()
    assert gone.state == Told.GIVEN_UP, "wants to be told no more"
    hooks.end(hook.pk, manager)
    with pytest.raises(Refused):
        hooks.test(hook.pk)
    make_job(Stage.BOOKED)
    assert not HookDelivery.objects.filter(state=Told.WAITING).exists()


@pytest.mark.once
def test_what_a_killed_process_left_goes_out_again_under_its_id() -> None:
    hook, _ = make_hook(make_staff(Role.MANAGER))
    hooks.test(hook.pk)
    killed = Other(KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        hooks.send_due(killed)
    other = Other()
    now = timezone.now()
    assert hooks.send_due(other, now) == 0, "another process may still be at it"
    assert hooks.send_due(other, now + hooks.LONGEST_ON_ITS_WAY * 1.1) == 1
    assert other.sent[0][2]["webhook-id"] == killed.sent[0][2]["webhook-id"]


@pytest.mark.django_db(transaction=True)
def test_two_at_once_send_a_delivery_once() -> None:
    hook, _ = make_hook(make_staff(Role.MANAGER))
    for _ in range(5):
        hooks.test(hook.pk)
    other = Other()
    at_once(lambda: hooks.send_due(other), lambda: hooks.send_due(other))
    assert len(other.sent) == 5 == len({headers["webhook-id"] for *_, headers in other.sent})


# Where it may go --------------------------------------------------------------------------------

INSIDE = (
    "127.0.0.1", "10.0.0.8", "172.16.4.1", "192.168.1.2", "169.254.169.254", "100.64.0.1",
    "0.0.0.0", "224.0.0.1", "::1", "fe80::1%2", "fc00::1", "::ffff:10.0.0.8", "64:ff9b::a00:8",
    "2002:a00:8::1", "::",
)  # fmt: skip
"""Special-purpose addresses (IANA registries by RFC 6890, 2013), also written within others."""
OPEN = ("93.184.215.14", "2606:2800:21f:cb07:6820:80da:af6b:8b2c", "64:ff9b::5db8:d70e")


@pytest.mark.once
@pytest.mark.parametrize("number", INSIDE)
def test_an_address_inside_is_refused_however_it_is_written(
    number: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not outgoing.is_open(number)
    found = [(0, 0, 0, "", (OPEN[0], 443)), (0, 0, 0, "", (number, 443))]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: found)
    with pytest.raises(outgoing.NotAllowed):
        outgoing.place_of("https://told.example.org/")
    with pytest.raises(Refused):
        hooks.make("Hall", "https://told.example.org/", News, make_staff(Role.MANAGER))


@pytest.mark.once
def test_an_open_address_is_taken_and_only_over_https(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [(0, 0, 0, "", (number, 443)) for number in OPEN]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: found)
    place = outgoing.place_of("https://told.example.org/a?b=c")
    assert place == (True, "told.example.org", 443, "/a?b=c", OPEN[0])
    for wrong in ("http://told.example.org/", "https://a:b@told.example.org/", "file:///x", "x"):
        with pytest.raises(outgoing.NotAllowed):
            outgoing.place_of(wrong)


@pytest.fixture
def listener() -> Iterator[HTTPServer]:
    """A program of ours on loopback, which sends whoever comes on to itself."""

    seen: list[tuple[str, str, bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            seen.append((self.path, self.headers["Host"], body))
            self.send_response(307)
            self.send_header("Location", "/again")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    vars(server)["seen"] = seen
    thread = threading.Thread(target=server.serve_forever, args=[0.01])
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.once
def test_the_address_that_was_looked_at_is_used_and_no_redirection_followed(
    listener: Any, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    port, asked = listener.server_port, []

    def look_up(host: str, port: int, *_: Any, **__: Any) -> Any:
        asked.append(host)
        numbers = {"told.example.org": "127.0.0.1"}
        return [(socket.AF_INET, socket.SOCK_STREAM, 0, "", (numbers.get(host, host), port))]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    address = f"http://told.example.org:{port}/x"
    with pytest.raises(outgoing.NotAllowed):
        outgoing.post(address, b"{}", {})
    settings.HOOKS_INSIDE = True
    asked.clear()
    answer = outgoing.post(address, b"{}", {})
    assert answer.status == 307 and listener.seen == [("/x", f"told.example.org:{port}", b"{}")]
    assert asked.count("told.example.org") == 1, "looked up once, and that very address was used"


@pytest.mark.once
def test_over_tls_the_certificate_must_be_of_the_name_that_was_typed(
    listener: Any, settings: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    settings.HOOKS_INSIDE = True
    file = certificates.make(tmp_path, "bench", [ip_address("127.0.0.1")], timezone.now())
    of_server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    of_server.load_cert_chain(file)
    listener.socket = of_server.wrap_socket(listener.socket, server_side=True)
    port = listener.server_port
    found = [(socket.AF_INET, socket.SOCK_STREAM, 0, "", ("127.0.0.1", port))]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: found)
    with pytest.raises(ssl.SSLCertVerificationError):
        outgoing.post(f"https://bench.local:{port}/x", b"{}", {})
    usual, authority = ssl.create_default_context, tmp_path / certificates.AUTHORITY
    monkeypatch.setattr(ssl, "create_default_context", lambda: usual(cafile=str(authority)))
    with pytest.raises(ssl.SSLCertVerificationError):
        outgoing.post(f"https://other.example.org:{port}/x", b"{}", {})
    assert listener.seen == []
    assert outgoing.post(f"https://bench.local:{port}/x", b"{}", {}).status == 307
    assert listener.seen == [("/x", f"bench.local:{port}", b"{}")]


@pytest.mark.once
@pytest.mark.parametrize("scheme", ["http", "https"])
def test_who_never_answers_holds_nobody_up(
    scheme: str, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.HOOKS_INSIDE = True
    monkeypatch.setattr(outgoing, "LONGEST_S", 0.02)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        hook, _ = make_hook(
            make_staff(Role.MANAGER), address=f"{scheme}://127.0.0.1:{silent.getsockname()[1]}/"
        )
        delivery = hooks.test(hook.pk)
        assert hooks.send_due() == 0
    delivery.refresh_from_db()
    assert (delivery.state, delivery.tries) == (Told.WAITING, 1) and delivery.answered


# The manager's pages ----------------------------------------------------------------------------


@pytest.mark.once
def test_an_address_is_added_with_proof_and_its_secret_shown_once(settings: Any) -> None:
    settings.HOOKS_INSIDE = True
    manager = make_staff(Role.MANAGER)
    client = Client()
    client.force_login(manager)
    typed = {"name": "Hall", "address": "https://127.0.0.1/x", "news": ["job.stage"]}
    refused = client.post(reverse("hook_create"), {**typed, "password": "wrong"})
    assert refused.status_code == 422 and b"https://127.0.0.1/x" in refused.content
    settings.HOOKS_INSIDE = False
    inside = client.post(reverse("hook_create"), {**typed, "password": PASSWORD})
    assert inside.status_code == 422 and b"network of its own" in inside.content
    assert not Hook.objects.exists()
    settings.HOOKS_INSIDE = True
    made = client.post(reverse("hook_create"), {**typed, "password": PASSWORD})
    hook = Hook.objects.get()
    secret = made.content.decode().split("whsec_")[1].split("<")[0]
    assert base64.b64decode(secret) and made["Cache-Control"].startswith("max-age=0")
    kept = json.dumps(
        [list(Hook.objects.values()), ShopEvent.objects.latest("pk").after], default=str
    )
    assert secret not in kept and ShopEvent.objects.latest("pk").code == hooks.MADE
    client.post(reverse("hook_test", args=[hook.pk]))
    assert HookDelivery.objects.get().news == News.TEST and Job.objects.count() == 0
    assert secret not in client.get(reverse("hook", args=[hook.pk])).content.decode()
