"""What stands on every answer and in the log: who may keep it, what a page may use, its request."""

import io
import json
import logging
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.checks import run_checks
from django.test import Client
from django.urls import reverse

from shop import known_device, logs
from shop.middleware import ID
from shop.models import Branch, CodeApp, ShopEvent
from shop.project.databases import database_of
from shop.roles import Role
from shop.scopes import Scope
from shop.services import api_tokens, code_apps, sign_in
from shop.services.branches import save_branch
from tests.factories import PASSWORD, make_job, make_shop, make_staff, make_token

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.django_db
def test_nobody_but_our_own_device_keeps_a_page_of_somebody_signed_in(client: Client) -> None:
    job = make_job()
    assert "no-store" not in client.get(reverse("offline")).get("Cache-Control", "")
    client.force_login(make_staff(Role.MANAGER))
    for url in (reverse("board"), job.get_absolute_url(), reverse("kept_jobs"), "/no/such/page/"):
        assert client.get(url)["Cache-Control"] == "private, no-store", url
    assert client.get(reverse("service_worker"))["Cache-Control"] == "no-cache", "has its own"


@pytest.mark.django_db
@pytest.mark.parametrize("url", ["/board/", "/sign-in/", "/healthz", "/no/such/page/"])
def test_no_page_may_use_more_of_a_device_than_camera_and_microphone(
    client: Client, url: str
) -> None:
    policy = client.get(url)["Permissions-Policy"].split(", ")
    allowed = {one.split("=")[0] for one in policy if not one.endswith("=()")}
    assert allowed == {"camera", "clipboard-write", "microphone"}
    assert {"microphone=(self)", "geolocation=()", "payment=()"} <= set(policy)


def test_the_documented_deployment_passes_the_check_for_deployment(tmp_path: Path) -> None:
    example = (ROOT / "deploy/loombook.env.example").read_text().splitlines()
    given = dict(one.split("=", 1) for one in example if one and not one.startswith("#"))
    done = subprocess.run(
        [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"],
        env={"PATH": os.environ["PATH"], **given, "LOOMBOOK_DATA": str(tmp_path)},
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stderr


@pytest.mark.parametrize(
    ("where", "warned"),
    [
        ("shop:x@db.example.org/book", True),
        ("shop:x@10.0.0.7/book?sslmode=require", True),
        ("shop:x@db.example.org/book?sslmode=verify-full", True),
        ("shop:x@db.example.org/book?sslmode=verify-full&sslrootcert=/etc/a.pem", False),
        ("shop:x@127.0.0.1:5432/book", False),
        ("shop:x@localhost/book", False),
        ("/book", False),
        ("shop:x@%2Frun%2FPostgreSQL/book", False),
    ],
)
def test_a_database_elsewhere_that_need_not_show_who_it_is_is_a_warning(
    where: str, warned: bool, tmp_path: Path, settings: Any
) -> None:
    settings.DATABASES = {"default": database_of(f"postgresql://{where}", tmp_path)}
    said = run_checks(tags=["security"], include_deployment_checks=True)
    ours = [one for one in said if one.id == "loombook.W001"]
    assert bool(ours) is warned
    assert not ours or "sslmode=verify-full&sslrootcert" in str(ours[0].hint)
    socket = database_of("postgresql://shop@%2Frun%2FBook/book", tmp_path)
    assert socket["HOST"] == "/run/Book", "a folder's capitals count"
    with pytest.raises(SystemExit, match="asks for user"):
        database_of("postgresql://db.example.org/book?user=x", tmp_path)


@pytest.mark.django_db
def test_every_answer_tells_the_browser_what_to_hold_back(client: Client) -> None:
    job = make_job()
    client.force_login(make_staff(Role.MANAGER))
    for url in ("/sign-in/", reverse("board"), job.get_absolute_url(), "/no/such/page/", "/board"):
        answer = client.get(url)
        rules = dict(
            one.strip().partition(" ")[::2] for one in answer["Content-Security-Policy"].split(";")
        )
        assert rules["default-src"] == "'self'", url
        assert {rules[name] for name in ("object-src", "base-uri", "frame-ancestors")} == {"'none'"}
        assert "script-src" not in rules, "what default-src says holds for scripts"
        assert answer["X-Content-Type-Options"] == "nosniff", url
        assert answer["Referrer-Policy"] == "same-origin", url
        assert "Access-Control-Allow-Origin" not in answer, url
        if answer.content:
            assert answer["Content-Type"].endswith("; charset=utf-8"), url


@pytest.mark.once
def test_behind_tls_a_browser_keeps_to_it_for_a_year(tmp_path: Path) -> None:
    asked = (
        "from shop.project.settings import *;"
        "print(SECURE_HSTS_SECONDS, SECURE_HSTS_INCLUDE_SUBDOMAINS, SESSION_COOKIE_SECURE)"
    )
    year = f"{365 * 24 * 3600}"
    for https, told in (
        ("1", f"{year} False True"),
        ("subdomains", f"{year} True True"),
        ("0", "0 False False"),
    ):
        given = {"LOOMBOOK_HTTPS": https, "LOOMBOOK_DATA": str(tmp_path)}
        said = subprocess.check_output(
            [sys.executable, "-c", asked], env=given, cwd=ROOT, text=True
        )
        assert said.strip() == told


@pytest.mark.django_db
def test_behind_tls_pages_are_led_to_it_and_a_program_is_told_of_its_slip(
    client: Client, settings: Any, lines: Any
) -> None:
    """ASVS 5.0 (2025), 4.1.2: a redirection would hide that a token went over the line in the
    open."""
    settings.HTTPS = settings.SECURE_SSL_REDIRECT = True
    token, secret = make_token(make_staff(Role.MANAGER), Scope.JOBS_READ)
    with_token = {"Authorization": f"Bearer {secret}"}
    assert client.get("/board/")["Location"] == "https://testserver/board/"
    slip = client.get("/api/v1/jobs", headers=with_token)
    assert slip.status_code == 403 and "Ask over https" in slip.json()["detail"]
    token.refresh_from_db()
    assert token.uses == 0
    [line] = [one for one in lines() if one["logger"] == "loombook.security"]
    assert line["what"] == "sent in the open" and secret not in json.dumps(line)
    assert client.get("/api/v1/jobs", headers=with_token, secure=True).status_code == 200


@pytest.mark.django_db
def test_a_method_that_no_page_uses_is_refused(client: Client) -> None:
    for method in ("TRACE", "PUT", "DELETE", "PATCH", "PROPFIND"):
        for url in ("/sign-in/", "/board/", "/no/such/page/"):
            assert client.generic(method, url).status_code == 405, (method, url)
    assert client.head("/sign-in/").status_code == 200


@pytest.fixture
def lines() -> Any:
    """What would be written with LOOMBOOK_LOG=json while the test runs."""
    text = io.StringIO()
    handler = logging.StreamHandler(text)
    handler.addFilter(logs.OfRequest())
    handler.setFormatter(logs.JsonLines())
    root, stood = logging.getLogger(), logs.REQUESTS.level
    root.addHandler(handler)
    logs.REQUESTS.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in text.getvalue().splitlines()]
    logs.REQUESTS.setLevel(stood)
    root.removeHandler(handler)


@pytest.mark.django_db
def test_each_request_has_a_line_and_what_fails_in_it_carries_its_id(
    client: Client, lines: Any
) -> None:
    person = make_staff(Role.FRONT_DESK)
    client.force_login(person)
    first, second = client.get("/board/?day=2"), client.get("/no/such/page/")
    assert first[ID] != second[ID]
    of_first = [one for one in lines() if one["request"] == first[ID]]
    [of_request] = [one for one in of_first if one["logger"] == "loombook.requests"]
    assert {key: of_request[key] for key in ("method", "path", "status", "person")} == {
        "method": "GET",
        "path": "/board/",
        "status": 200,
        "person": str(person.pk),
    }
    of_second = [one for one in lines() if one["request"] == second[ID]]
    assert {one["logger"] for one in of_second} == {"django.request", "loombook.requests"}
    assert logs.current() == logs.NONE, "and what comes after belongs to none"


@pytest.mark.django_db
def test_no_secret_gets_into_the_log(client: Client, lines: Any) -> None:
    """A right and a wrong password, a PIN, cookies, a query, and a form whose view fails."""
    person = make_staff(Role.MANAGER)
    client.raise_request_exception = False
    client.post(reverse("login"), {"username": person.username, "password": "wrong-s3cret"})
    client.post(reverse("login"), {"username": "name-s3cret", "password": PASSWORD})
    client.post(reverse("login"), {"username": person.username, "password": PASSWORD})
    client.get("/board/?q=query-s3cret")
    client.post(reverse("my_pin"), {"password": "pin-s3cret", "pin": "481516", "again": "481516"})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("shop.services.sign_in.is_own_password", lambda *_: 1 / 0)
        patch.setattr("shop.forms.tablets.is_own_password", lambda *_: 1 / 0)
        form = {"password": "form-s3cret", "pin": "481516", "again": "481516"}
        assert client.post(reverse("my_pin"), form).status_code == 500
    written = json.dumps(lines())
    assert "ZeroDivisionError" in written
    session = client.cookies["sessionid"].value
    for secret in ("s3cret", PASSWORD, "481516", session):
        assert secret not in written


@pytest.mark.django_db
def test_attempts_to_get_round_a_control_are_lines_that_say_who_and_never_what_was_typed(
    client: Client, lines: Any
) -> None:
    """ASVS 5.0 (2025), 16.3.3. They fill the program's log, of which old lines go, and not the
    shop's, which is kept."""
    desk, strict = make_staff(Role.FRONT_DESK), Client(enforce_csrf_checks=True)
    make_shop(second_factor_days=7)
    second = make_staff(Role.MANAGER)
    CodeApp.objects.create(person=second, key_sealed=code_apps.new_key_sealed())
    sees, secret = make_token(make_staff(Role.MANAGER), Scope.JOBS_READ)
    over, over_secret = make_token(make_staff(Role.MANAGER), Scope.JOBS_READ)
    api_tokens.end(over.pk, sees.made_by)
    client.force_login(desk)
    with_token = {"Authorization": f"Bearer {secret}", "Idempotency-Key": "s3cret"}
    spent = {"Authorization": f"Bearer {over_secret}"}
    evil = {"Origin": "https://s3cret.example"}
    typed = {"password": "s3cret", "next": "/s3cret/"}
    wrong = {"username": desk.username, "password": "s3cret"}
    for _ in range(sign_in.TRIES):
        Client().post(reverse("login"), wrong)
    kept = ShopEvent.objects.count()

    def forged(name: str) -> Client:
        browser = Client()
        if not name.startswith("loombook-second"):
            browser.force_login(desk)
        browser.cookies[name] = "s3cret:1abcde:s3cret"
        return browser

    right = {"username": second.username, "password": PASSWORD}
    api, board, door = "/api/v1/", "/board/", reverse("login")
    device, mark = known_device.COOKIE, f"loombook-second-{second.pk}"
    owner, nobody = sees.made_by, None
    again = Client().post(door, wrong)
    waits = {"by": "password", "tried_for": str(desk.pk)}
    foreign = strict.post(door, typed, headers=evil)
    beyond = client.post(f"{api}products/import", "{}", "application/json", headers=with_token)
    ended = client.get(f"{api}jobs", headers=spent)
    tried: list[tuple[str, Any, Any, dict[str, Any]]] = [
        ("no right to it", desk, client.get(reverse("staff_list") + "?q=s3cret"), {}),
        ("no right to it", desk, client.post(reverse("staff_list"), typed), {}),
        ("no form of ours", nobody, foreign, {"reason": "Origin checking failed"}),
        ("forged cookie", desk, forged("tablet").get(board), {"cookie": "tablet"}),
        ("forged cookie", desk, forged(device).get(board), {"cookie": device}),
        ("forged cookie", nobody, forged(mark).post(door, right), {"cookie": "loombook-second-"}),
        ("beyond its scope", owner, beyond, {"token": sees.pk}),
        ("no token of the API", nobody, ended, {"reason": "This token was ended"}),
        ("too many tries", nobody, again, waits),
    ]
    for what, person, answer, facts in tried:
        [line] = [
            one
            for one in lines()
            if (one["request"], one["logger"]) == (answer[ID], "loombook.security")
        ]
        assert line["what"] == what and facts.items() <= line.items(), line
        assert line["person"] == str(person.pk if person else 0), what
        assert line["path"] == answer.wsgi_request.path and line["address"] == "127.0.0.1"
    written = json.dumps([one for one in lines() if one["logger"].startswith("loombook.")])
    for hidden in ("s3cret", PASSWORD, secret, over_secret):
        assert hidden not in written
    assert ShopEvent.objects.count() == kept
    seen = len(lines())
    assert client.get("/board/").status_code == 200
    assert "loombook.security" not in {one["logger"] for one in lines()[seen:]}


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("elsewhere", "within", "what"),
    [
        (True, False, "of another branch"),
        (True, True, "of another branch"),
        (False, True, "refused"),
        (False, False, ""),
    ],
)
def test_a_refusal_by_branch_and_one_of_which_nothing_else_said_why_are_lines_too(
    elsewhere: bool, within: bool, what: str, client: Client, lines: Any
) -> None:
    """ASVS 5.0 (2025), 16.3.3: a job of another branch, by its page and by a save from within one,
    and a save that its own closed sheet refuses; not the page that is open to them."""
    job, person = make_job(), make_staff(Role.TECHNICIAN)
    facts = {"name": "s3cret side", "letters": "S", "address": "1 Kiln Lane", "phone": "555 0101"}
    other = save_branch(Branch(**facts), make_staff(Role.MANAGER))
    person.branches.set([other if elsewhere else job.bay.branch])
    step = job.steps.create(text="Wires labelled", order=1)
    client.force_login(person)
    save = reverse("bay_step_save", args=[job.number, step.pk])
    typed = {"version": step.version, "outcome": "done", "reason": "s3cret", "key": "s3cret"}
    answer = (
        client.post(save, typed) if within else client.get(job.get_absolute_url() + "?q=s3cret")
    )
    assert answer.status_code == (403 if what else 200)
    said = [one for one in lines() if one["logger"] == "loombook.security"]
    assert [one["what"] for one in said] == [what] * bool(what)
    for line in said:
        told = (line["request"], line["person"], line["path"], line["method"], line["address"])
        path, method = answer.wsgi_request.path, answer.wsgi_request.method
        assert told == (answer[ID], str(person.pk), path, method, "127.0.0.1")
        assert "s3cret" not in json.dumps(line)
