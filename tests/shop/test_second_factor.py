"""The second factor: shown after the password, once a code, with few tries; nobody is shut out."""

import json
import re
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from unittest.mock import patch

import pytest
from django.core.management import CommandError, call_command
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop.models import CodeApp, Passkey, RecoveryCode, ShopEvent, SignIn, StaffMember
from shop.reads.events import entry_of
from shop.roles import Role
from shop.services import code_apps, pins, second_factor, sign_in
from shop.services.people import save_staff
from shop.session_keys import PROOF_LASTS
from tests.clock import at, later
from tests.factories import PASSWORD, make_shop, make_staff
from tests.racing import at_once
from tests.shop.passkey_device import Device

pytestmark = pytest.mark.django_db

ORIGIN = "http://localhost"
SHOW, OWN = reverse("second_factor_show"), reverse("second_factor")
WRONG = "000000"


@pytest.fixture
def manager() -> StaffMember:
    make_shop(second_factor_required=False)
    return make_staff(Role.MANAGER)


def browser(address: str = "203.0.113.7") -> Client:
    return Client(REMOTE_ADDR=address, HTTP_HOST="localhost")


def password(client: Client, person: StaffMember, word: str = PASSWORD) -> HttpResponse:
    return client.post(reverse("login"), {"username": person.username, "password": word})


def is_in(client: Client) -> bool:
    return client.get(reverse("board")).status_code == 200


def with_app(person: StaffMember) -> tuple[str, list[str]]:
    """Set an app up as the person would, in a browser; gives its sealed key and the codes."""
    client = browser()
    assert password(client, person).status_code == 302
    client.get(reverse("second_factor_app"))
    sealed = client.session["new_key"]
    page = client.post(reverse("second_factor_app"), {"second": code_apps.code_now(sealed)})
    assert page.status_code == 200
    CodeApp.objects.filter(person=person).update(last_step=0)
    return sealed, page.context["codes"]


def said(answer: HttpResponse) -> str:
    return " ".join(answer.content.decode().split())


def logged(code: str) -> list[dict[str, Any]]:
    return [event.after for event in ShopEvent.objects.filter(code=code).order_by("pk")]


@pytest.mark.parametrize(
    ("at_s", "code"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_are_those_of_the_standard(at_s: int, code: str) -> None:
    """RFC 6238 (2011), appendix B, SHA-1. Six digits are the last six of eight (RFC 4226, 5.3)."""
    key = b"12345678901234567890"
    assert code_apps.code_at(key, at_s, digits=8) == code
    assert code_apps.code_at(key, at_s) == code[-6:]


def test_the_password_alone_opens_nothing_and_no_code_opens_twice(manager: StaffMember) -> None:
    sealed, _ = with_app(manager)
    here, there = browser(), browser()
    for client in (here, there):
        assert password(client, manager)["Location"] == SHOW
        assert not is_in(client)
    assert SignIn.objects.filter(person=manager).count() == 1, "that of the set-up alone"
    assert "is wrong" in said(here.post(SHOW, {"second": WRONG}))
    code = code_apps.code_now(sealed)

    assert here.post(SHOW, {"second": f" {code[:3]} {code[3:]} "}).status_code == 302
    assert "used already" in said(there.post(SHOW, {"second": code}))

    assert (is_in(here), is_in(there)) == (True, False)
    assert logged(sign_in.SIGNED_IN)[-1]["second_factor"] == "app"
    assert logged(sign_in.FAILED)[0]["by"] == "second factor"
    told = ShopEvent.objects.filter(code=sign_in.SIGNED_IN).first()
    assert told and "App" in {one.new.capitalize() for one in entry_of(told).told}


@pytest.mark.parametrize(("steps", "taken"), [(-2, False), (-1, True), (1, True), (2, False)])
def test_a_clock_may_be_half_a_minute_off(manager: StaffMember, steps: int, taken: bool) -> None:
    sealed, _ = with_app(manager)
    now, client = timezone.now(), browser()
    with at(now + timedelta(seconds=steps * code_apps.STEP_S)):
        code = code_apps.code_now(sealed)
    with at(now):
        password(client, manager)
        assert (client.post(SHOW, {"second": code}).status_code == 302) is taken


@pytest.mark.once
@pytest.mark.parametrize("beside", [True, False])
def test_a_new_secret_with_the_former_beside_it_shuts_nobody_out(
    manager: StaffMember, settings: Any, beside: bool
) -> None:
    sealed, _ = with_app(manager)
    inside, at_the_door = browser(), browser()
    password(inside, manager)
    inside.post(SHOW, {"second": code_apps.code_now(sealed)})
    CodeApp.objects.update(last_step=0)
    code = code_apps.code_now(sealed)

    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY] if beside else []
    settings.SECRET_KEY = "another secret, long enough for anybody to use it"
    assert is_in(inside) is beside
    password(at_the_door, manager)
    assert (at_the_door.post(SHOW, {"second": code}).status_code == 302) is beside


def test_an_older_code_is_refused_after_a_newer_one(manager: StaffMember) -> None:
    sealed, _ = with_app(manager)
    now = code_apps.code_now(sealed)
    with later(timedelta(seconds=code_apps.STEP_S)):
        newer = code_apps.code_now(sealed)
    for code, taken in ((newer, True), (now, False)):
        client = browser()
        password(client, manager)
        assert (client.post(SHOW, {"second": code}).status_code == 302) is taken


def test_a_right_password_buys_no_tries_from_wherever_it_is_typed(manager: StaffMember) -> None:
    sealed, _ = with_app(manager)
    owner = browser()
    password(owner, manager)
    owner.post(SHOW, {"second": code_apps.code_now(sealed)})
    owner.post(reverse("logout"))
    CodeApp.objects.update(last_step=0)
    for turn in range(sign_in.TRIES):
        client = browser(f"198.51.100.{turn}")
        password(client, manager)
        assert client.post(SHOW, {"second": WRONG}).status_code == 422

    client = browser("198.51.100.99")
    assert password(client, manager).status_code == 302, "the password itself is not shut"
    shut = client.post(SHOW, {"second": code_apps.code_now(sealed)})
    assert shut.status_code == 429
    assert logged(sign_in.SHUT)[-1]["by"] == "second factor"

    assert password(owner, manager).status_code == 302
    owner.post(SHOW, {"second": WRONG})
    answer = owner.post(SHOW, {"second": code_apps.code_now(sealed)}, follow=True)
    assert is_in(owner), "the owner's own device has tries of its own"
    assert "Somebody at 198.51.100.7 knew your password" in said(answer)
    password(owner, manager)
    assert "knew your password" not in said(owner.get(reverse("board"), follow=True)), "told once"


def test_a_right_password_is_forgotten_with_time_and_with_another_password(
    manager: StaffMember,
) -> None:
    sealed, _ = with_app(manager)
    code = code_apps.code_now(sealed)
    slow, old = browser(), browser()
    password(slow, manager)
    with later(second_factor.HELD_FOR + timedelta(seconds=2)):
        again = slow.post(SHOW, {"second": code_apps.code_now(sealed)})
        assert again["Location"] == reverse("login")
    password(old, manager)
    save_staff(manager, password="orchard-lantern-41", by=make_staff(Role.MANAGER))
    assert old.post(SHOW, {"second": code})["Location"] == reverse("login")
    assert not is_in(old)


def test_a_recovery_code_is_good_once_and_kept_as_a_hash(manager: StaffMember) -> None:
    _, codes = with_app(manager)
    assert len(set(codes)) == second_factor.CODES
    kept = set(RecoveryCode.objects.values_list("sha256", flat=True))
    assert not any(code.replace("-", "") in " ".join(kept) for code in codes)
    client = browser()
    password(client, manager)
    answer = client.post(SHOW, {"second": codes[0].upper().replace("-", " ")}, follow=True)
    assert f"{second_factor.CODES - 1} are left" in said(answer)
    other = browser()
    password(other, manager)
    assert other.post(SHOW, {"second": codes[0]}).status_code == 422
    anew = client.post(reverse("second_factor_codes")).context["codes"]
    assert other.post(SHOW, {"second": codes[1]}).status_code == 422, "the old ones are worthless"
    assert other.post(SHOW, {"second": anew[0]}).status_code == 302
    secret = re.compile("|".join(code.replace("-", ".?") for code in (*codes, *anew)))
    assert not [one for one in ShopEvent.objects.all() if secret.search(json.dumps(one.after))]


def test_the_requirement_leads_the_only_manager_to_set_one_up_and_shuts_nobody_out(
    manager: StaffMember,
) -> None:
    technician = make_staff(Role.TECHNICIAN)
    make_shop(second_factor_required=True)
    client, bench = browser(), browser()
    password(bench, technician)
    assert is_in(bench), "managers alone"
    password(client, manager)
    assert client.get(reverse("board"))["Location"] == OWN
    entry = client.post(reverse("part_add", args=[1]), headers={"HX-Request": "true"})
    assert entry.status_code == 401, "what was typed before waits on the device"
    assert "you have none yet" in said(client.get(OWN))

    client.get(reverse("second_factor_app"))
    assert "compare the clocks" in said(
        client.post(reverse("second_factor_app"), {"second": WRONG})
    )
    code = code_apps.code_now(client.session["new_key"])
    page = client.post(reverse("second_factor_app"), {"second": code})
    assert len(page.context["codes"]) == second_factor.CODES
    assert is_in(client)
    make_staff(Role.MANAGER)
    listed = said(client.get(reverse("staff_list")))
    assert listed.count("No second factor yet") == 1
    refused = client.post(reverse("second_factor_remove"))
    assert "set another one up first" in said(refused)


def test_a_device_is_not_asked_again_for_the_days_the_shop_says(manager: StaffMember) -> None:
    sealed, _ = with_app(manager)
    client = browser()
    password(client, manager)
    assert 'name="remember"' not in said(client.get(SHOW))
    make_shop(second_factor_days=7)
    client.post(SHOW, {"second": code_apps.code_now(sealed), "remember": "on"})
    client.post(reverse("logout"))

    other = make_staff(Role.MANAGER)
    with_app(other)
    assert password(client, other)["Location"] == SHOW, "not for others on the same device"
    assert password(client, manager)["Location"] != SHOW
    assert logged(sign_in.SIGNED_IN)[-1]["second_factor"] == "known device"
    client.post(reverse("logout"))
    a_week_on = time.time() + timedelta(days=8).total_seconds()
    with patch("django.core.signing.time.time", lambda: a_week_on):
        assert password(client, manager)["Location"] == SHOW
    save_staff(manager, password="orchard-lantern-41", by=other)
    assert password(client, manager, "orchard-lantern-41")["Location"] == SHOW


def test_another_manager_resets_it_and_its_person_is_told(manager: StaffMember) -> None:
    sealed, _ = with_app(manager)
    make_shop(second_factor_required=True)
    lost = browser()
    password(lost, manager)
    lost.post(SHOW, {"second": code_apps.code_now(sealed)})
    other, office = make_staff(Role.MANAGER), browser()
    with_app(other)
    password(office, other)
    sealed_other = CodeApp.objects.get(person=other).key_sealed
    office.post(SHOW, {"second": code_apps.code_now(sealed_other)})
    own = office.post(reverse("staff_second_factor_reset", args=[other.pk]), follow=True)
    assert "on your own page" in said(own)

    url = reverse("staff_second_factor_reset", args=[manager.pk])
    assert "learnt a password" in said(office.get(url))
    assert office.post(url)["Location"] == reverse("staff_edit", args=[manager.pk])

    assert (is_in(lost), is_in(office)) == (False, True)
    assert not second_factor.has_one(manager) and not RecoveryCode.objects.filter(person=manager)
    event = ShopEvent.objects.filter(code=second_factor.RESET).get()
    assert (event.actor, event.about) == (other, ("staffmember", manager.pk))
    for told in (True, False):
        page = browser().post(
            reverse("login"), {"username": manager.username, "password": PASSWORD}, follow=True
        )
        assert (f"by {other.name}" in said(page)) is told


def test_the_lone_manager_is_let_in_from_the_server(manager: StaffMember, capsys: Any) -> None:
    with_app(manager)
    with pytest.raises(CommandError, match="Nobody signs in as"):
        call_command("reset_second_factor", "nobody")
    call_command("reset_second_factor", manager.username)
    client = browser()
    page = client.post(
        reverse("login"), {"username": manager.username, "password": PASSWORD}, follow=True
    )
    assert "somebody at the server itself" in said(page)
    assert is_in(client)


def test_exports_and_pages_of_the_shop_ask_for_it_and_a_pin_is_not_enough(
    manager: StaffMember,
) -> None:
    sealed, _ = with_app(manager)
    pins.set_pin(manager, "4826", by=manager)
    tablet = browser()
    password(tablet, manager)
    tablet.post(SHOW, {"second": code_apps.code_now(sealed)})
    tablet.post(reverse("tablet_register"), {"name": "Bay 1", "bay": ""})
    tablet.post(reverse("logout"))
    CodeApp.objects.update(last_step=0)
    tablet.post(reverse("tablet_switch"), {"person": manager.pk, "pin": "4826"})
    assert is_in(tablet), "as ever"

    export = f"{reverse('product_export')}?as=csv"
    asked = tablet.get(export)["Location"]
    assert "Type the code" in said(tablet.post(asked, {"password": "4826"}))
    assert "is wrong" in said(tablet.post(asked, {"password": "4826", "second": WRONG}))
    assert tablet.get(export).status_code == 302
    code = code_apps.code_now(sealed)
    assert "Wrong PIN" in said(tablet.post(asked, {"password": "0000", "second": code}))
    assert tablet.post(asked, {"password": "4826", "second": code})["Location"] == export
    assert tablet.get(export).status_code == 200, "a wrong PIN has not used the code up"
    with later(PROOF_LASTS + timedelta(seconds=2)):
        assert tablet.get(export).status_code == 302
        ask = tablet.get(reverse("staff_list"))["Location"]
        assert "Type the code" in said(tablet.post(ask, {"password": PASSWORD}))
        code = code_apps.code_now(sealed)
        assert tablet.post(ask, {"password": PASSWORD, "second": code}).status_code == 302
        assert tablet.get(reverse("staff_list")).status_code == 200


def test_who_needs_one_and_has_none_exports_nothing_before(manager: StaffMember) -> None:
    client = browser()
    password(client, manager)
    make_shop(second_factor_required=True)
    export = f"{reverse('product_export')}?as=csv"
    assert is_in(client), "a sign-in that stands is not disturbed"
    assert client.get(export)["Location"].startswith(OWN)
    with later(PROOF_LASTS + timedelta(seconds=2)):
        ask = client.get(OWN)["Location"]
        assert client.post(ask, {"password": PASSWORD})["Location"] == OWN
        assert client.get(OWN).status_code == 200


# Passkeys -----------------------------------------------------------------------------------------


def options(client: Client, what: str) -> dict[str, Any]:
    answer = client.post(reverse(f"passkey_{what}_options"))
    assert answer.status_code == 200
    return dict(answer.json())


def with_passkey(person: StaffMember, device: Device) -> Client:
    client = browser()
    password(client, person)
    made = device.make(options(client, "make"), ORIGIN)
    form = {"name": "Blue key ring", "passkey": made}
    assert client.post(reverse("second_factor_passkey"), form).status_code == 200
    return client


@pytest.mark.parametrize("counts", [True, False])
def test_a_passkey_signs_in_at_its_own_address_and_no_answer_twice(
    manager: StaffMember, counts: bool
) -> None:
    device = Device(counts=counts)
    with_passkey(manager, device)
    added = ShopEvent.objects.filter(code=second_factor.ADDED).get()
    told = [(one.label, one.new) for one in entry_of(added).told]
    assert told == [("By", "passkey"), ("What it is called", "Blue key ring")]
    for turn in range(2):
        client = browser()
        assert password(client, manager)["Location"] == SHOW
        asked = options(client, "show")
        elsewhere = device.show(asked, "http://evil.example")
        assert client.post(SHOW, {"passkey": elsewhere}).status_code == 422
        shown = device.show(options(client, "show"), ORIGIN)
        assert client.post(SHOW, {"passkey": shown}).status_code == 302, turn
        assert is_in(client)
    late = browser()
    password(late, manager)
    assert late.post(SHOW, {"passkey": shown}).status_code == 422, "without a challenge"
    options(late, "show")
    assert late.post(SHOW, {"passkey": shown}).status_code == 422, "of another challenge"
    assert logged(sign_in.SIGNED_IN)[-1]["second_factor"] == "passkey"


def test_one_persons_passkey_is_not_anothers(manager: StaffMember) -> None:
    device, other = Device(), make_staff(Role.MANAGER)
    with_passkey(manager, device)
    taken = with_passkey(other, Device())
    again = device.make(options(taken, "make"), ORIGIN)
    form = {"name": "The same", "passkey": again}
    assert taken.post(reverse("second_factor_passkey"), form).status_code == 422
    client = browser()
    password(client, other)
    shown = device.show(options(client, "show"), ORIGIN)
    assert client.post(SHOW, {"passkey": shown}).status_code == 422


EMPTY = {"id": "AA", "rawId": "AA", "type": "public-key", "response": {}}
NO_ANSWERS = ("{", "[]", "null", '{"id": "\\u0000"}', "[" * 9000, json.dumps(EMPTY))


@pytest.mark.parametrize("answer", [*NO_ANSWERS, json.dumps({**EMPTY, "response": []})])
def test_an_answer_of_no_browser_is_refused_in_words(manager: StaffMember, answer: str) -> None:
    with_passkey(manager, Device())
    client = browser()
    password(client, manager)
    options(client, "show")
    assert "not taken" in said(client.post(SHOW, {"passkey": answer}))
    Passkey.objects.all().delete()
    password(client, manager)
    options(client, "make")
    form = {"name": "Ring", "passkey": answer}
    assert "made no passkey" in said(client.post(reverse("second_factor_passkey"), form))


def test_where_browsers_keep_no_passkeys_the_page_says_why(manager: StaffMember) -> None:
    for host, secure, why in (
        ("shop.example", False, "plain http"),
        ("192.0.2.10", True, "opened by a number"),
        ("shop.example", True, "Add a passkey"),
    ):
        client = Client(HTTP_HOST=host)
        client.post(
            reverse("login"),
            {"username": manager.username, "password": PASSWORD},
            secure=secure,
        )
        assert why in said(client.get(OWN, secure=secure))


# At once ------------------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("what", ["app", "recovery code", "passkey"])
def test_of_two_who_show_the_same_at_once_one_is_let_in(what: str) -> None:
    make_shop(second_factor_required=False)
    manager, device = make_staff(Role.MANAGER), Device(counts=False)
    sealed, codes = with_app(manager)
    here = browser()
    password(here, manager)
    if what == "passkey":
        here.post(SHOW, {"second": codes[0]})
        made = device.make(options(here, "make"), ORIGIN)
        here.post(reverse("second_factor_passkey"), {"name": "Ring", "passkey": made})
        here.post(reverse("logout"))
        password(here, manager)
        sent = {"passkey": device.show(options(here, "show"), ORIGIN)}
    else:
        sent = {"second": code_apps.code_now(sealed) if what == "app" else codes[1]}
    there = browser()
    there.cookies = here.cookies
    if what != "passkey":
        there = browser()
        password(there, manager)

    def enter(client: Client) -> Callable[[], str]:
        return lambda: client.post(SHOW, sent).get("Location", "refused")

    answers = at_once(enter(here), enter(there))
    assert [one not in ("refused", reverse("login")) for one in answers].count(True) == 1
    done = [one for one in logged(sign_in.SIGNED_IN) if one.get("second_factor") == what]
    assert len(done) == 1
