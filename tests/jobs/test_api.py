"""The API: what opens it and what does not, what it answers, and that a write is done once."""

import io
import json
from contextlib import redirect_stdout
from datetime import timedelta
from pathlib import Path
from typing import Any, get_args

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from lxml import html
from openapi_spec_validator import validate

from jobs.api import build, shapes
from jobs.api.operations import WHOLE
from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job
from jobs.setups import exchange
from jobs.setups.library import create_setup
from jobs.views.api import DESCRIPTION
from shop.models import ApiToken, ApiWrite, Customer, Product, ProductKind, ShopEvent
from shop.reads.events import log_url
from shop.roles import Role
from shop.scopes import NEEDS, Scope
from shop.services import api_tokens, sign_in
from tests.factories import BayFactory, make_job, make_product, make_staff, make_token
from tests.jobs.every_row import every_row
from tests.jobs.test_branches import second_branch, works_at
from tests.jobs.workshop import Workshop
from tests.racing import at_once
from wiring import plan as doc
from wiring.__main__ import main as wiring_command

pytestmark = pytest.mark.django_db

PLANS = Path(__file__).parent.parent / "wiring" / "hard_plans"
DESCRIBED = build.described()

OPERATIONS: dict[str, tuple[str, str, tuple[Scope, ...]]] = {
    "jobs_list": ("get", "jobs", (Scope.JOBS_READ,)),
    "jobs_one": ("get", "jobs/{number}", (Scope.JOBS_READ,)),
    "jobs_book": ("post", "jobs", (Scope.JOBS_BOOK,)),
    "bays_list": ("get", "bays", (Scope.JOBS_READ,)),
    "plans_one": ("get", "jobs/{number}/plan", (Scope.PLANS_READ,)),
    "plans_findings": ("get", "jobs/{number}/findings", (Scope.PLANS_READ,)),
    "plans_check": ("post", "plans/check", (Scope.PLANS_CHECK,)),
    "setups_list": ("get", "setups", (Scope.SETUPS_READ,)),
    "setups_one": ("get", "setups/{setup}", (Scope.SETUPS_READ,)),
    "sheets_list": ("get", "sheets", (Scope.SHEETS_READ,)),
    "sheets_one": ("get", "jobs/{number}/sheets/{revision}", WHOLE),
    "sheets_pdf": ("get", "jobs/{number}/sheets/{revision}/pdf", WHOLE),
    "products_list": ("get", "products", (Scope.CATALOGUE_READ,)),
    "products_one": ("get", "products/{product}", (Scope.CATALOGUE_READ,)),
    "products_import": ("post", "products/import", (Scope.CATALOGUE_WRITE,)),
    "products_try": ("post", "products/import/try", (Scope.CATALOGUE_WRITE,)),
}
"""What there is, written by hand: method, address, and the scopes without which it is refused."""


def ask(
    secret: str | None, path: str, method: str = "get", body: Any = None, **headers: str
) -> Any:
    """The answer of a client without cookies."""
    if secret is not None:
        headers["Authorization"] = f"Bearer {secret}"
    data = body if isinstance(body, bytes) else json.dumps(body or {})
    more = {"data": data, "content_type": "application/json"} if method == "post" else {}
    client = Client(raise_request_exception=False)
    return getattr(client, method)(f"/api/v1/{path}", headers=headers, **more)


def booking(bay: int, **changes: Any) -> dict[str, Any]:
    """A booking of a new customer with a new car, in ten years at ten."""
    day = (timezone.localdate() + timedelta(days=3650)).isoformat()
    return {
        "customer": {"name": "Ines Varga", "phone": "0700 900 123"},
        "car": {
            "model": {"make": "Corvane", "model": "Tessel", "year_from": 2021},
            "plate": "LB 55 API",
            "year": 2022,
        },
        "wants": "More bass",
        "bay": bay,
        "starts_at": f"{day}T10:00:00Z",
        "ends_at": f"{day}T14:00:00Z",
        "promised_at": f"{day}T16:00:00Z",
        **changes,
    }


def booked_after_a_yes(secret: str, body: dict[str, Any], key: str) -> Any:
    """Book; where somebody must say yes (nobody has said when the shop is open then), say it."""
    answer = ask(secret, "jobs", "post", body, **{"Idempotency-Key": key})
    if answer.status_code == 409:
        body["confirmed"] = answer.json()["confirm"]
        answer = ask(secret, "jobs", "post", body, **{"Idempotency-Key": key})
    return answer


@pytest.mark.once
def test_the_description_lies_ready_is_valid_and_names_every_operation_with_its_scopes() -> None:
    validate(DESCRIBED)
    assert DESCRIBED["openapi"].startswith("3.1")
    assert DESCRIPTION.read_bytes() == build.written(), "write it anew: python -m jobs.api"
    listed = {
        operation["operationId"]: (
            method,
            path.removeprefix("/api/v1/"),
            tuple(operation["security"][0]["token"]),
        )
        for path, ways in DESCRIBED["paths"].items()
        for method, operation in ways.items()
    }
    assert listed == OPERATIONS
    assert ask(None, "openapi.json").content == DESCRIPTION.read_bytes()
    assert list(get_args(shapes.Stage)) == Stage.values
    assert list(get_args(shapes.Kind)) == ProductKind.values


@pytest.mark.once
def test_the_page_for_readers_leaves_nothing_of_the_description_out(client: Client) -> None:
    client.force_login(make_staff(Role.MANAGER))
    page = html.document_fromstring(client.get(reverse("api_reference")).content.decode())
    places = set(page.xpath("//@id"))
    shapes_told = DESCRIBED["components"]["schemas"]
    assert places >= {*OPERATIONS, *(f"shape-{name}" for name in shapes_told)}
    links = {one.removeprefix("#") for one in page.xpath("//main//a/@href") if one.startswith("#")}
    assert links <= places, "each shape that is named is told"
    names = {*page.xpath("//th[@scope='row']/code/text()")}
    for shape in shapes_told.values():
        assert names >= {*shape["properties"]}
    booking = page.xpath("string(//*[@id='shape-BookIn'])")
    assert "list of PartIn, at most 50" in booking and "from 1 or NewCar" in booking
    assert "Made anew for each thing to do" in page.xpath("string(//*[@id='jobs_book'])")


@pytest.mark.once
def test_every_operation_opens_to_its_scopes_and_to_nothing_less() -> None:
    job = every_row()
    manager = make_staff(Role.MANAGER)
    sheet = InstallSheet.objects.get(job=job)
    setup = manager.pk and job.setup_uses.first()
    given = {
        "number": job.number,
        "revision": sheet.revision,
        "setup": setup.setup_id if setup else 0,
        "product": Product.objects.all()[0].pk,
    }
    tokens = {scope: make_token(manager, scope)[1] for scope in Scope}
    tokens |= {WHOLE: make_token(manager, *WHOLE)[1], "all": make_token(manager)[1]}
    ended, ended_secret = make_token(manager)
    api_tokens.end(ended.pk, manager)
    over, over_secret = make_token(manager)
    ApiToken.objects.filter(pk=over.pk).update(expires_at=timezone.now())
    leaver = make_staff(Role.MANAGER)
    _, left_secret = make_token(leaver)
    leaver.is_active = False
    leaver.save()
    demoted = make_staff(Role.MANAGER, Role.TECHNICIAN)
    _, demoted_secret = make_token(demoted)
    demoted.is_manager = False
    demoted.save()
    wrong = []
    for name, (method, path, scopes) in OPERATIONS.items():
        address = path.format(**given)
        for held, secret in tokens.items():
            has = set(Scope) if held == "all" else {held} if isinstance(held, str) else set(held)
            status = ask(secret, address, method).status_code
            expected = {200, 201, 400, 409, 422, 503} if set(scopes) <= has else {403}
            if status not in expected:
                wrong.append(f"{name} with {held}: {status}")
        shut = {"none": None, "ended": ended_secret, "over": over_secret, "left": left_secret}
        for held, secret in shut.items():
            answer = ask(secret, address, method)
            if (answer.status_code, answer["Content-Type"]) != (401, "application/problem+json"):
                wrong.append(f"{name} with {held}: {answer.status_code}")
            assert answer["WWW-Authenticate"].startswith("Bearer")
        status = ask(demoted_secret, address, method).status_code
        may = all(Role.TECHNICIAN in NEEDS[scope] for scope in scopes)
        if (status == 403) == may:
            wrong.append(f"{name} of somebody who is no manager any more: {status}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.once
def test_a_session_opens_nothing_and_an_answer_sets_no_cookie() -> None:
    manager = make_staff(Role.MANAGER)
    client = Client(enforce_csrf_checks=True)
    client.force_login(manager)
    for method in ("get", "post"):
        answer = getattr(client, method)("/api/v1/jobs")
        assert (answer.status_code, answer.cookies.output()) == (401, "")
    token, secret = make_token(manager)
    answer = client.get("/api/v1/jobs", headers={"Authorization": f"Bearer {secret}"})
    assert (answer.status_code, answer.cookies.output()) == (200, "")
    assert answer["Loombook-Person"] == str(manager.pk)
    assert answer["Cache-Control"] == "private, no-store"
    log = ShopEvent.objects.filter(code=api_tokens.MADE).latest("pk")
    kept = json.dumps([log.after, list(ApiToken.objects.values())], default=str)
    assert secret not in kept and "token_sha256" not in log.after
    api_tokens.end(token.pk, manager)
    api_tokens.end(token.pk, manager)
    assert ShopEvent.objects.filter(code=api_tokens.ENDED).count() == 1
    page = client.get(log_url(token)).content.decode()
    assert "Token of the API made" in page and "jobs:read" in page


@pytest.mark.once
def test_uses_and_wrong_tokens_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(api_tokens, "A_MINUTE", 2)
    token, secret = make_token(make_staff(Role.MANAGER))
    codes = [ask(secret, "bays").status_code for _ in range(3)]
    assert codes == [200, 200, 429]
    later = ask(secret, "bays")
    assert 1 <= int(later["Retry-After"]) <= 60 and later["Loombook-About"] == "later"
    token.refresh_from_db()
    assert token.uses == 4 and token.last_used_at is not None
    ApiToken.objects.update(minute=timezone.now() - api_tokens.MINUTE)
    assert ask(secret, "bays").status_code == 200
    guesses = [ask("loombook_guess", "bays").status_code for _ in range(32)]
    assert guesses == [401] * sign_in.TRIES_OF_ALL_NAMES + [429] * 2
    assert ask(secret, "bays").status_code == 200, "guessing beside it shuts nobody out"
    failed = ShopEvent.objects.filter(code=sign_in.FAILED)
    assert failed.count() == sign_in.TRIES_OF_ALL_NAMES and failed[0].actor is None


@pytest.mark.once
def test_customers_are_told_with_their_own_scope_alone() -> None:
    job = make_job(Stage.BOOKED)
    manager = make_staff(Role.MANAGER)
    _, without = make_token(manager, Scope.JOBS_READ)
    _, with_customers = make_token(manager, Scope.JOBS_READ, Scope.CUSTOMERS_READ)
    whole = ask(with_customers, f"jobs/{job.number}").json()
    assert whole["customer"]["name"] == job.customer.name and whole["car"]["vin"] == job.vehicle.vin
    for path in (f"jobs/{job.number}", "jobs"):
        text = ask(without, path).content.decode()
        for said in (job.customer.name, job.vehicle.plate, job.wants):
            assert said and said not in text


def test_jobs_are_listed_page_by_page_by_stage_and_by_what_changed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from jobs.reads import listed
    from jobs.services.booking import change_booking

    monkeypatch.setattr(listed, "A_PAGE", 2)
    monkeypatch.setattr(listed, "COMMITTED", timedelta(0))
    jobs = [make_job(Stage.BOOKED) for _ in range(4)] + [make_job(Stage.IN_BAY)]
    manager = make_staff(Role.MANAGER)
    _, secret = make_token(manager, Scope.JOBS_READ)
    seen, cursor, pages = [], "", 0
    while cursor is not None and pages < 5:
        page = ask(secret, f"jobs{cursor and f'?cursor={cursor}'}").json()
        seen += [one["number"] for one in page["items"]]
        cursor, pages = page["next"], pages + 1
    assert seen == [job.number for job in reversed(jobs)] and pages == 3
    in_bay = ask(secret, "jobs?stage=in_bay").json()["items"]
    assert [one["number"] for one in in_bay] == [jobs[-1].number]
    mark = page["mark"]
    assert ask(secret, f"jobs?changed_after={mark}").json()["items"] == []
    change_booking(jobs[1].pk, {"wants": "Less"}, version=jobs[1].version, actor=manager)
    news = ask(secret, f"jobs?changed_after={mark}").json()
    assert [one["number"] for one in news["items"]] == [jobs[1].number] and news["mark"] > mark
    assert ask(secret, "jobs?stage=lost").status_code == 422
    assert ask(secret, "jobs?cursor=first").json()["errors"][0]["where"] == "query.cursor"


@pytest.mark.once
def test_a_token_reaches_no_further_than_the_branches_of_its_owner() -> None:
    here, two = make_job(Stage.BOOKED), second_branch()
    there = make_job(Stage.BOOKED, bay=BayFactory(branch=two.second))
    _, secret = make_token(works_at(two.second))
    [told] = ask(secret, "jobs").json()["items"]
    assert (told["number"], told["bay"]["branch"]) == (there.number, "Northside")
    [bay] = ask(secret, "bays").json()["items"]
    assert bay["id"] == there.bay_id
    for path in ("", "/plan", "/findings"):
        codes = [ask(secret, f"jobs/{one.number}{path}").status_code for one in (there, here)]
        assert codes == [200, 404]
    refused = booked_after_a_yes(secret, booking(here.bay_id), "one")
    assert refused.status_code == 422 and refused.json()["errors"][0]["where"] == "bay"
    assert booked_after_a_yes(secret, booking(there.bay_id), "two").status_code == 201
    _, whole = make_token(two.owner)
    assert len(ask(whole, "jobs").json()["items"]) == 3


@pytest.mark.once
def test_the_api_and_the_command_speak_the_same_plan(tmp_path: Path) -> None:
    job = every_row()
    _, secret = make_token(make_staff(Role.MANAGER), Scope.PLANS_READ, Scope.PLANS_CHECK)
    own = ask(secret, f"jobs/{job.number}/plan").content
    assert own == doc.dump(doc.load(own)) and len(own) > 100
    hard = sorted(PLANS.glob("*.json"))[::9]
    for document in (own, *(file.read_bytes() for file in hard)):
        file = tmp_path / "plan.json"
        file.write_bytes(document)
        out = io.StringIO()
        with redirect_stdout(out):
            code = wiring_command(["check", "--json", str(file)])
        answer = ask(secret, "plans/check", "post", document)
        if code == 2:
            assert answer.status_code == 422
        else:
            assert answer.json()["findings"] == json.loads(out.getvalue())
    assert ask(secret, "plans/check", "post", b'{"devices": 1}').status_code == 422
    findings = ask(secret, f"jobs/{job.number}/findings").json()["findings"]
    assert {one["severity"] for one in findings} <= {"stop", "caution", "note"}


@pytest.mark.once
def test_sheets_and_setups_come_as_they_are_kept() -> None:
    workshop = Workshop()
    job = workshop.ready()
    sheet = workshop.sign(job)
    kept = create_setup(sheet.pk, "Four channels", "", workshop.manager)
    _, secret = make_token(make_staff(Role.MANAGER))
    [told] = ask(secret, f"sheets?job={job.number}").json()["items"]
    assert told["document_sha256"] == sheet.document_sha256
    assert ask(secret, f"jobs/{job.number}/sheets/1").json() == sheet.document
    pdf = ask(secret, f"jobs/{job.number}/sheets/1/pdf")
    assert pdf.content == bytes(sheet.pdf) and pdf["Content-Type"] == "application/pdf"
    setups = ask(secret, "setups").json()["items"]
    assert setups[0]["id"] == kept.pk
    whole = exchange.read_file(ask(secret, f"setups/{kept.pk}").content)
    assert [one.name for one in whole.setups] == ["Four channels"] and whole.sender.own


def test_a_booking_goes_through_the_desks_form_once_for_its_key() -> None:
    manager = make_staff(Role.MANAGER)
    _, secret = make_token(manager, Scope.JOBS_BOOK)
    body = booking(BayFactory().pk)
    assert ask(secret, "jobs", "post", body).status_code == 400
    first = booked_after_a_yes(secret, body, "one")
    assert first.status_code == 201, first.content
    job = Job.objects.get(number=first.json()["number"])
    assert (job.booked_by, job.customer.name) == (manager, "Ines Varga")
    again = booked_after_a_yes(secret, body, "one")
    assert (again.content, again["Idempotency-Replayed"]) == (first.content, "true")
    assert Job.objects.count() == 1 and Customer.objects.count() == 1
    other = ask(secret, "jobs", "post", {**body, "wants": "Less"}, **{"Idempotency-Key": "one"})
    assert other.status_code == 422 and "make a new one" in other.json()["detail"]
    taken = booked_after_a_yes(secret, {**body, "customer": job.customer_id}, "two")
    assert taken.status_code == 422 and taken.json()["errors"][0]["where"] == "car.plate"
    known = {**body, "customer": job.customer_id, "car": job.vehicle_id}
    taken = ask(secret, "jobs", "post", known, **{"Idempotency-Key": "two"})
    assert taken.status_code == 409 and str(job) in taken.json()["detail"]
    assert (
        ApiWrite.objects.count() == 1 and ShopEvent.objects.filter(code="token.wrote").count() == 1
    )


def test_rows_are_imported_all_or_none_and_once() -> None:
    make_product(maker="Hallow", name="H4", kind=ProductKind.AMPLIFIER, price=100)
    _, secret = make_token(make_staff(Role.MANAGER), Scope.CATALOGUE_WRITE, Scope.CATALOGUE_READ)
    new = {"Maker": "Hallow", "Name": "H9", "Kind": "Amplifier", "Amplifier channels": 4}
    changed = {"Maker": "Hallow", "Name": "H4", "Price": 120.5}
    body = {"rows": [new, changed]}
    tried = ask(secret, "products/import/try", "post", body).json()["rows"]
    assert [one["state"] for one in tried] == ["new", "changed"] and Product.objects.count() == 1
    bad = {"rows": [new, {**changed, "Price": "much"}]}
    refused = ask(secret, "products/import", "post", bad, **{"Idempotency-Key": "a"})
    assert refused.status_code == 422 and refused.json()["errors"][0]["where"] == "rows.1"
    assert Product.objects.count() == 1
    for _ in range(2):
        done = ask(secret, "products/import", "post", body, **{"Idempotency-Key": "a"}).json()
        assert (done["added"], done["changed"], Product.objects.count()) == (1, 1, 2)
    odd = {"rows": [{"Colour of the moon": "blue"}]}
    assert "headings" in ask(secret, "products/import/try", "post", odd).json()["detail"]
    [one, _] = ask(secret, "products?kind=amplifier").json()["items"]
    assert (one["name"], one["figures"]["amplifier_channels"], "cost" in one) == ("H9", 4, False)


@pytest.mark.django_db(transaction=True)
def test_two_at_once_with_one_key_book_once() -> None:
    _, secret = make_token(make_staff(Role.MANAGER), Scope.JOBS_BOOK)
    body = booking(BayFactory().pk)
    asked = ask(secret, "jobs", "post", body, **{"Idempotency-Key": "one"})
    if asked.status_code == 409:
        body["confirmed"] = asked.json()["confirm"]
        send = lambda: ask(secret, "jobs", "post", body, **{"Idempotency-Key": "one"})  # noqa: E731
        answers = at_once(send, send)
        assert {one.status_code for one in answers} == {201}
        assert len({one.content for one in answers}) == 1
    assert Job.objects.count() == 1


@pytest.mark.once
def test_what_goes_wrong_is_a_problem_that_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    _, secret = make_token(make_staff(Role.MANAGER))
    cases = {
        404: ask(secret, "nothing/here"),
        405: Client().delete("/api/v1/jobs", headers={"Authorization": f"Bearer {secret}"}),
        413: Client().post(
            "/api/v1/plans/check",
            b" " * (3 * 1024 * 1024 + 1),
            content_type="application/json",
            headers={"Authorization": f"Bearer {secret}"},
        ),
        415: Client().post(
            "/api/v1/plans/check", {"a": "b"}, headers={"Authorization": f"Bearer {secret}"}
        ),
        422: ask(secret, "jobs/2147483648"),
    }
    with connection.execute_wrapper(_away):
        cases[503] = ask(secret, "bays")
    for status, answer in cases.items():
        assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
        said = answer.json()
        assert said["status"] == status and said["detail"].endswith((".", "json"))
    assert cases[405]["Allow"] == "GET, POST" and cases[503]["Retry-After"]


def _away(execute: Any, sql: str, *rest: Any) -> Any:
    from django.db import OperationalError

    if "shop_bay" in sql:
        raise OperationalError("gone")
    return execute(sql, *rest)
