"""Over TLS the name of every cookie begins with `__Host-`; a registered tablet stays one."""

from http.cookies import SimpleCookie
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop import known_device
from shop.http import COOKIE_PREFIX
from shop.models import StaffMember, Tablet
from shop.roles import Role
from shop.services import code_apps, pins, second_factor, sign_in, tablets
from tests.factories import PASSWORD, make_shop, make_staff
from tests.shop.test_second_factor import logged, with_app

pytestmark = pytest.mark.django_db

BOARD, SIGN_IN = reverse("board"), reverse("login")


class Device:
    """A browser: what it was given, and what it sends, over TLS or not."""

    def __init__(self, *, secure: bool) -> None:
        self.client, self.secure = Client(enforce_csrf_checks=True), secure
        self.given: SimpleCookie = SimpleCookie()

    def ask(self, url: str, **typed: str | int) -> HttpResponse:
        if typed:
            name = "__Host-csrftoken" if self.secure else "csrftoken"
            scheme = "https" if self.secure else "http"
            token = self.client.cookies[name].value
            headers = {"X-CSRFToken": token, "Origin": f"{scheme}://testserver"}
            answer = self.client.post(url, typed, secure=self.secure, headers=headers)
        else:
            answer = self.client.get(url, secure=self.secure)
        self.given.update(answer.cookies)
        return answer

    def works(self, person: StaffMember, sealed: str) -> None:
        """Sign in with the second factor, be registered as a tablet, be told of it, sign out."""
        self.ask(SIGN_IN)
        self.ask(SIGN_IN, username=person.username, password=PASSWORD)
        shown = {"second": code_apps.code_now(sealed), "remember": "on"}
        self.ask(reverse("second_factor_show"), **shown)
        assert self.ask(BOARD).status_code == 200
        assert self.ask(reverse("tablet_register"), name="Bay 1", bay="").status_code == 302


@pytest.fixture
def person() -> StaffMember:
    make_shop(second_factor_required=False, second_factor_days=7)
    person = make_staff(Role.MANAGER)
    pins.set_pin(person, "4826", by=person)
    return person


@pytest.mark.parametrize("secure", [True, False])
def test_every_cookie_is_for_this_host_alone_over_tls(secure: bool, person: StaffMember) -> None:
    """RFC 6265bis, draft 22 (2025), 4.1.3.2: Secure, path /, no domain."""
    device = Device(secure=secure)
    device.works(person, with_app(person)[0])
    second = f"loombook-second-{person.pk}"
    names = ["csrftoken", known_device.COOKIE, second, "messages", "sessionid", tablets.COOKIE]
    before = COOKIE_PREFIX if secure else ""
    assert sorted(device.given) == sorted(before + name for name in names)
    for name, one in device.given.items():
        assert (bool(one["secure"]), one["path"], one["domain"]) == (secure, "/", ""), name
        assert bool(one["httponly"]) == ("csrftoken" not in name) and one["samesite"], name
    device.ask(reverse("logout"), next="x")
    assert device.given[f"{before}sessionid"]["max-age"] == 0
    assert device.ask(BOARD).status_code == 302


@pytest.mark.parametrize("tls_alone", [True, False])
def test_a_device_of_the_plain_names_signs_in_once_more_and_stays_a_tablet(
    tls_alone: bool, person: StaffMember, settings: Any
) -> None:
    settings.SESSION_COOKIE_SECURE = tls_alone
    old = Device(secure=False)
    old.works(person, with_app(person)[0])
    Tablet.objects.update(last_seen_at=timezone.now())
    kept = {name: one.value for name, one in old.client.cookies.items()}
    signed = {tablets.COOKIE, known_device.COOKIE, f"loombook-second-{person.pk}"}

    device = Device(secure=True)
    device.client.cookies.load(kept)
    answer = device.ask(BOARD)
    assert answer.status_code == 302, "nobody is signed in by a plain name"
    on = device.ask(SIGN_IN)["Location"]
    assert on == reverse("tablet_switch"), "but it is the tablet that it was"
    over = {name for name, one in device.given.items() if one["max-age"] == 0}
    assert over == (signed if tls_alone else set()), "where nothing is plain, the old ones go"
    for name in signed:
        one = device.given[COOKIE_PREFIX + name]
        assert one.value == kept[name] and one["secure"] and one["httponly"] and one["path"] == "/"

    for name in kept:
        device.client.cookies.pop(name, None)
    assert device.ask(on).status_code == 200
    device.ask(reverse("tablet_switch"), person=person.pk, pin="4826")
    assert device.ask(BOARD).status_code == 200
    device.ask(reverse("logout"), next="x")
    device.ask(SIGN_IN + "?by=password")
    device.ask(SIGN_IN, username=person.username, password=PASSWORD)
    assert logged(sign_in.SIGNED_IN)[-1]["second_factor"] == second_factor.KNOWN_DEVICE
    assert logged(sign_in.SIGNED_IN)[-1]["device"] == "Bay 1"


def test_what_is_put_under_a_plain_name_counts_for_nothing_over_tls(person: StaffMember) -> None:
    victim, other = Device(secure=True), Device(secure=False)
    other.works(person, with_app(person)[0])
    forged = {
        tablets.COOKIE: "x:1abcde:y",
        known_device.COOKIE: "x:1abcde:y",
        "loombook-second-1": "x",
    }
    session = other.client.cookies["sessionid"].value
    victim.client.cookies.load({**forged, "sessionid": session, "csrftoken": "a" * 32})
    answer = victim.ask(BOARD)
    assert answer["Location"].startswith(SIGN_IN) and dict(victim.given) == {}
    other.client.cookies.load({f"{COOKIE_PREFIX}sessionid": session})
    del other.client.cookies["sessionid"]
    assert other.ask(BOARD).status_code == 302, "and what is sent in the open is not what TLS gave"
