"""What is answered when a request fails: marked as ours, says what to do, keeps what was typed."""

import errno
import importlib
import pkgutil
import socket
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from html.parser import HTMLParser
from types import SimpleNamespace
from typing import Any

import pytest
from django import forms
from django.conf import settings
from django.contrib.auth.forms import PasswordChangeForm
from django.core.exceptions import BadRequest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import (
    DataError,
    OperationalError,
    ProgrammingError,
    close_old_connections,
    connection as default_connection,
)
from django.db.backends.base.base import BaseDatabaseWrapper
from django.test import Client
from django.urls import reverse

import jobs.forms
import shop.forms
from shop.middleware import ABOUT
from shop.models import Customer
from shop.roles import Role
from shop.services.sign_in import TRIES, WAIT
from shop.views import failures
from shop.views.health import LEAST_FREE_BYTES
from tests.factories import make_job, make_staff

PAGE = {"Accept": "text/html,*/*;q=0.8", "Origin": "http://testserver"}
PART = {"Accept": "*/*", "HX-Request": "true"}
Gone = Callable[[], AbstractContextManager[None]]


class Page(HTMLParser):
    """The parts of a failure page that matter here."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.fields: dict[str, list[str]] = {}
        self.typed: list[str] = []
        self.action = ""
        self._in_typed = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        found = dict(attrs)
        if tag == "form":
            self.action = found.get("action", "")
        if tag == "input" and "name" in found:
            self.fields.setdefault(found["name"], []).append(found["value"])
        self._in_typed = tag == "textarea"

    def handle_data(self, data: str) -> None:
        if self._in_typed:
            self.typed += data.splitlines()

    def handle_endtag(self, tag: str) -> None:
        self._in_typed = False


def client_of(*roles: Role, csrf: bool = False) -> Client:
    client = Client(raise_request_exception=False, enforce_csrf_checks=csrf)
    client.force_login(make_staff(*roles))
    return client


@contextmanager
def failing(error: Exception) -> Iterator[None]:
    """Every view that saves a customer ends with this error."""

    def fail(*_: Any, **__: Any) -> None:
        raise error

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Customer, "save", fail)
        yield


CUSTOMER = {"name": "Tilda Brunn", "phone": "0151 <22>", "email": "", "note": "Gate\nat the back"}
NEW_CUSTOMER = "/customers/new/"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("error", "status", "about"),
    [
        (RuntimeError("bug"), 500, "fault"),
        (OperationalError("gone"), 503, "later"),
        (OSError(errno.ENOSPC, "full"), 503, "later"),
        (OSError(errno.EPERM, "not permitted"), 500, "fault"),
        (BadRequest("odd"), 400, "entry"),
    ],
)
def test_a_failed_form_keeps_what_was_typed_and_can_be_sent_again(
    error: Exception, status: int, about: str
) -> None:
    client = client_of(Role.FRONT_DESK)
    with failing(error):
        answer = client.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE)
        within = client.post(NEW_CUSTOMER, CUSTOMER, headers=PART | {"Origin": PAGE["Origin"]})
    for one in (answer, within):
        assert (one.status_code, one[ABOUT]) == (status, about)
        assert ("Retry-After" in one) == (status == 503)
    assert within["Content-Type"].startswith("text/plain")
    assert "Tilda" not in within.content.decode(), "the page it was sent from still has it"
    page = Page(answer.content.decode())
    assert page.typed == ["Name: Tilda Brunn", "Phone: 0151 <22>", "Note: Gate", "at the back"]
    if status == 400:
        assert not page.action
        return
    token = page.fields.pop("csrfmiddlewaretoken")
    assert token
    assert page.action == NEW_CUSTOMER
    again = client.post(page.action, dict(page.fields.items()), headers=PAGE)
    assert again.status_code == 302
    assert Customer.objects.get(name="Tilda Brunn").phone == "0151 <22>"


@pytest.mark.django_db
def test_what_another_site_sends_is_neither_shown_nor_offered_again() -> None:
    client = client_of(Role.FRONT_DESK, csrf=True)
    for headers in ({"Origin": "http://elsewhere.example"}, {"Origin": "null"}, {}):
        answer = client.post(NEW_CUSTOMER, CUSTOMER, headers={"Accept": "text/html", **headers})
        assert answer.status_code == 403
        page = Page(answer.content.decode())
        assert not page.typed and not page.action and "csrfmiddlewaretoken" not in page.fields


@pytest.mark.django_db
def test_an_old_token_gives_a_fresh_one_and_the_form_goes_again() -> None:
    client = client_of(Role.FRONT_DESK, csrf=True)
    answer = client.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE)
    assert (answer.status_code, answer[ABOUT]) == (403, "token")
    page = Page(answer.content.decode())
    assert client.post(page.action, page.fields, headers=PAGE).status_code == 302
    assert Customer.objects.filter(name="Tilda Brunn").count() == 1

    other = client_of(Role.FRONT_DESK, csrf=True)
    within = other.post(NEW_CUSTOMER, CUSTOMER, headers=PART)
    assert (within.status_code, within[ABOUT]) == (403, "token")
    token = {"X-CSRFToken": other.cookies["csrftoken"].value}
    assert other.post(NEW_CUSTOMER, CUSTOMER, headers=PART | token).status_code == 302


@pytest.mark.django_db
def test_secrets_and_files_are_not_shown_again() -> None:
    client = client_of(Role.MANAGER)
    secrets = {"password": "kept-to-myself", "pin": "48261", "again": "48267"}
    sent = secrets | {"name": "Ines Vorl", "new_password1": "else-9x", "phone": "48261"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("shop.views.settings.StaffForm", None)
        answer = client.post(reverse("staff_create"), sent, headers=PAGE)
        picture = {"photo": SimpleUploadedFile("gate.jpg", b"x"), "caption": "Gate"}
        patch.setattr("jobs.views.photos.add_photo", None)
        filed = client.post(reverse("photo_list", args=[make_job().number]), picture, headers=PAGE)
    html = answer.content.decode()
    assert answer.status_code == 500
    assert Page(html).typed == ["Name: Ines Vorl"]
    assert not [value for name, value in sent.items() if name != "name" and value in html]
    assert "Passwords and PINs" in html
    assert filed.status_code == 500
    page = Page(filed.content.decode())
    assert page.typed == ["Caption: Gate"]
    assert not page.action, "without its file it is not the same form"
    assert "gate.jpg" in filed.content.decode()


def _forms() -> list[type[forms.BaseForm]]:
    for package in (shop.forms, jobs.forms):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            importlib.import_module(module.name)
    found, queue = [], [forms.BaseForm]
    while queue:
        queue += (below := queue.pop().__subclasses__())
        found += below
    return [one for one in found if getattr(one, "base_fields", None)]


def test_every_field_that_is_typed_in_secret_is_known_as_one() -> None:
    named = {
        name
        for form in [*_forms(), PasswordChangeForm]
        for name, field in form.base_fields.items()
        if isinstance(field.widget, forms.PasswordInput)
    }
    assert named >= {"password", "pin", "again", "old_password", "new_password1"}
    assert [name for name in named if not failures.is_secret(name)] == []
    assert not failures.is_secret("spinning_note")


@pytest.mark.django_db
def test_refused_missing_and_large_say_what_to_do(settings: Any) -> None:
    desk, technician = client_of(Role.FRONT_DESK), client_of(Role.TECHNICIAN)
    refused = technician.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE)
    assert refused.status_code == 403
    assert "Ask a manager" in refused.content.decode()
    assert Page(refused.content.decode()).typed[0] == "Name: Tilda Brunn"
    missing = desk.post("/customers/987654/edit/", CUSTOMER, headers=PAGE)
    assert missing.status_code == 404
    assert reverse("find") in missing.content.decode()
    assert Page(missing.content.decode()).typed[0] == "Name: Tilda Brunn"
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    large = desk.post(NEW_CUSTOMER, CUSTOMER | {"note": "x" * 200}, headers=PAGE)
    assert large.status_code == 413
    assert "what you typed is still there" in large.content.decode()
    within = desk.post(NEW_CUSTOMER, CUSTOMER | {"note": "x" * 200}, headers=PART)
    assert (within.status_code, within[ABOUT]) == (413, "entry")
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 10_000
    settings.DATA_UPLOAD_MAX_NUMBER_FIELDS = 2
    assert desk.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE).status_code == 400
    settings.ALLOWED_HOSTS = ["shop.example"]
    host = desk.get("/board/", headers=PAGE)
    assert (host.status_code, "LOOMBOOK_HOSTS" in host.content.decode()) == (400, True)


@pytest.mark.django_db
def test_too_many_tries_to_sign_in_say_how_long() -> None:
    client = Client()
    person = make_staff(Role.MANAGER)
    wrong = {"username": person.username, "password": "wrong"}
    for _ in range(TRIES):
        assert client.post(reverse("login"), wrong, headers=PAGE).status_code == 200
    answer = client.post(reverse("login"), wrong, headers=PAGE)
    assert (answer.status_code, answer[ABOUT]) == (429, "later")
    assert 0 < int(answer["Retry-After"]) <= WAIT.total_seconds()
    assert "shut until" in answer.content.decode()


# The database is away ---------------------------------------------------------------------------


@pytest.fixture
def gone(transactional_db: None) -> Gone:
    """Within it the database cannot be opened, as at a server that does not listen."""

    @contextmanager
    def away() -> Iterator[None]:
        with socket.create_server(("127.0.0.1", 0)) as once:
            port = once.getsockname()[1]
        nowhere = {
            "sqlite": {"NAME": "/nonexistent/folder/loombook.sqlite3"},
            "postgresql": {"HOST": "127.0.0.1", "PORT": str(port)},
        }[default_connection.vendor]
        facts = default_connection.settings_dict
        stood = dict(facts)
        default_connection.close()
        facts.update(nowhere)
        try:
            yield
        finally:
            facts.update(stood)
            default_connection.close()

    return away


def test_health_and_pages_say_503_without_the_database_and_come_back(gone: Gone) -> None:
    client = client_of(Role.FRONT_DESK)
    assert client.get("/readyz").content == b"ready"
    with gone():
        for _ in range(2):
            health = client.get("/readyz")
            assert (health.status_code, health["Retry-After"]) == (503, "10")
            assert health["Content-Type"].startswith("text/plain")
            assert client.get("/healthz").content == b"ok", "the process is there all the same"
            close_old_connections()
        page = client.get("/board/?day=2", headers=PAGE)
        assert (page.status_code, page[ABOUT]) == (503, "later")
        assert 'href="/board/?day=2"' in page.content.decode()
        sent = client.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE)
        assert sent.status_code == 503
        cell = client.post(NEW_CUSTOMER, CUSTOMER, headers=PART)
        assert (cell.status_code, cell[ABOUT]) == (503, "later")
        assert client.get("/no/such/page/", headers=PAGE).status_code == 503
    close_old_connections()
    assert client.get("/readyz").content == b"ready"
    assert client.get("/board/", headers=PAGE).status_code == 200
    page = Page(sent.content.decode())
    assert client.post(page.action, page.fields, headers=PAGE).status_code == 302
    assert Customer.objects.get().name == "Tilda Brunn"


def test_who_watches_may_ask_by_address(client: Client, settings: Any, db: None) -> None:
    settings.ALLOWED_HOSTS = ["loombook.example.org"]
    asked = {"host": "10.0.0.7:8000"}
    assert client.get("/readyz", headers=asked).content == b"ready"
    assert client.get("/board/", headers=asked).status_code == 400


@pytest.mark.once
@pytest.mark.parametrize(("free", "status"), [(LEAST_FREE_BYTES, 200), (LEAST_FREE_BYTES - 1, 503)])
def test_a_full_disk_is_not_ready(
    client: Client, db: None, monkeypatch: pytest.MonkeyPatch, free: int, status: int
) -> None:
    asked: list[object] = []

    def usage(folder: object) -> SimpleNamespace:
        asked.append(folder)
        return SimpleNamespace(free=free)

    monkeypatch.setattr("shutil.disk_usage", usage)
    assert client.get("/readyz").status_code == status
    assert asked == [settings.DATA_DIR]


def test_a_connection_that_the_server_ends_is_made_anew(transactional_db: None) -> None:
    """As at a restart of the database; before and after a request the server does the same."""
    if default_connection.vendor != "postgresql":
        pytest.skip("SQLite has no server that could end a connection")
    client = client_of(Role.FRONT_DESK)
    assert client.get("/readyz").status_code == 200
    other = default_connection.copy()
    with default_connection.cursor() as mine, other.cursor() as killer:
        mine.execute("SELECT pg_backend_pid()")
        killer.execute("SELECT pg_terminate_backend(%s)", mine.fetchone())
    other.close()
    assert client.get("/readyz").status_code == 503
    close_old_connections()
    assert client.get("/readyz").status_code == 200


def test_a_lock_held_for_too_long_is_said_in_a_page_of_ours(transactional_db: None) -> None:
    """As by a program that holds the database: nothing is saved, what was typed can be sent."""
    client = client_of(Role.FRONT_DESK)
    client.get("/board/")
    sqlite = default_connection.vendor == "sqlite"
    with default_connection.cursor() as mine:
        mine.execute("PRAGMA busy_timeout=50" if sqlite else "SET lock_timeout = '50ms'")
    other = default_connection.copy()
    try:
        other.set_autocommit(False)
        with other.cursor() as holder:
            holder.execute(
                "UPDATE shop_shop SET name = name"
                if sqlite
                else "LOCK TABLE shop_customer IN ACCESS EXCLUSIVE MODE"
            )
            page = client.post(NEW_CUSTOMER, CUSTOMER, headers=PAGE)
            cell = client.post(NEW_CUSTOMER, CUSTOMER, headers=PART)
        other.rollback()
    finally:
        other.close()
        with default_connection.cursor() as mine:
            mine.execute("PRAGMA busy_timeout=10000" if sqlite else "SET lock_timeout = '10s'")
    assert (page.status_code, page[ABOUT], cell.status_code) == (503, "later", 503)
    assert "Wait a minute, then try again" in page.content.decode()
    again = Page(page.content.decode())
    assert client.post(again.action, again.fields, headers=PAGE).status_code == 302
    assert Customer.objects.get().name == "Tilda Brunn"


@pytest.mark.django_db
def test_the_page_of_a_failure_asks_the_database_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    client = client_of(Role.FRONT_DESK)
    asked = []

    def refuse(self: Any, *_: Any, **__: Any) -> None:
        asked.append(self)
        raise OperationalError("connection refused")

    monkeypatch.setattr(BaseDatabaseWrapper, "cursor", refuse)
    answer = client.get("/board/", headers=PAGE)
    assert answer.status_code == 503
    assert "cannot be reached" in answer.content.decode()
    assert len(asked) == 1, "the request's own first question"


def _broken(state: str | None = None, code: int | None = None) -> Exception:
    cause: Any = sqlite3.OperationalError() if code is not None else Exception()
    if code is None:
        cause.sqlstate = state
    else:
        cause.sqlite_errorcode = code
    error = OperationalError("x")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "away"),
    [
        (_broken(code=sqlite3.SQLITE_BUSY), True),
        (_broken(code=sqlite3.SQLITE_FULL), True),
        (_broken(code=sqlite3.SQLITE_IOERR | (3 << 8)), True),
        (_broken(code=sqlite3.SQLITE_ERROR), False),
        (_broken(state=None), True),
        (_broken(state="57P01"), True),
        (_broken(state="53100"), True),
        (_broken(state="42P01"), False),
        (_broken(state="22003"), False),
        (ProgrammingError("no such table"), False),
        (DataError("too long"), False),
        (ValueError("typed"), False),
        (None, False),
    ],
)
def test_only_what_may_pass_by_itself_is_away(error: Exception | None, away: bool) -> None:
    """One entry that the database can never take must not look like a server that is down."""
    assert failures.is_away(error) is away
