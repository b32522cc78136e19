"""The door: few tries for a name, not many for all names, and none that shuts the owner out."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop.models import ShopEvent, SignInAttempts
from shop.reads.events import entry_of
from shop.roles import Role
from shop.services import sign_in
from shop.services.people import save_staff
from tests.clock import at
from tests.factories import PASSWORD, make_staff

pytestmark = pytest.mark.django_db

HERE, THERE = "203.0.113.7", "203.0.113.8"


def enter(name: str, password: str, address: str = HERE, client: Client | None = None) -> int:
    form = {"username": name, "password": password}
    answer = (client or Client()).post(reverse("login"), form, REMOTE_ADDR=address)
    return answer.status_code


def wrong(name: str, times: int, address: str = HERE) -> list[int]:
    return [enter(name, "wrong", address) for _ in range(times)]


def at_the_door(code: str) -> list[ShopEvent]:
    return list(ShopEvent.objects.filter(code=code).order_by("pk"))


def test_eight_wrong_tries_shut_one_name_from_one_place_alone() -> None:
    person, other = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)
    assert wrong(person.username, sign_in.TRIES - 1) == [200] * 7
    assert enter(person.username, PASSWORD) == 302, "the eighth may be right, and begins anew"

    assert wrong(person.username.upper(), sign_in.TRIES) == [200] * 8

    assert enter(person.username, PASSWORD) == 429, "capitals make no other name"
    assert enter(other.username, PASSWORD) == 302
    assert enter(person.username, PASSWORD, THERE) == 302


def test_a_wait_ends_by_time_by_a_new_password_and_grows() -> None:
    person, manager = make_staff(Role.TECHNICIAN), make_staff(Role.MANAGER)
    now = timezone.now()
    with at(now):
        wrong(person.username, sign_in.TRIES)
    with at(now + sign_in.WAIT - timedelta(seconds=1)):
        assert enter(person.username, PASSWORD) == 429
    with at(now + sign_in.WAIT + timedelta(seconds=1)):
        assert wrong(person.username, sign_in.TRIES) == [200] * 8
    with at(now + 2 * sign_in.WAIT + timedelta(seconds=2)):
        assert enter(person.username, PASSWORD) == 429, "twice as long the second time"
        save_staff(person, password="orchard-lantern-41", by=manager)
        assert enter(person.username, "orchard-lantern-41") == 302


def test_one_address_cannot_try_many_names_and_own_success_buys_no_tries() -> None:
    insider = make_staff(Role.TECHNICIAN)
    names = [f"nobody{n}" for n in range(sign_in.TRIES_OF_ALL_NAMES - 1)]
    for name in names:
        assert enter(name, "wrong") == 200
        assert enter(insider.username, PASSWORD) == 302
    assert enter("nobody else", "wrong") == 200
    answer = Client().post(
        reverse("login"), {"username": "one more", "password": "wrong"}, REMOTE_ADDR=HERE
    )
    assert answer.status_code == 429
    assert "over many names" in answer.content.decode()
    assert int(answer["Retry-After"]) <= sign_in.WAIT.total_seconds()
    assert enter(insider.username, PASSWORD, THERE) == 302


def test_strangers_at_the_same_address_do_not_shut_out_whoever_was_here_before() -> None:
    """As behind a proxy that is not told to be believed: everybody has one address."""
    person, other = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)
    own = Client()
    assert enter(person.username, PASSWORD, client=own) == 302
    own.post(reverse("logout"))
    wrong(person.username, sign_in.TRIES)
    for n in range(sign_in.TRIES_OF_ALL_NAMES - sign_in.TRIES):
        enter(f"nobody{n}", "wrong")
    assert enter(person.username, PASSWORD) == 429

    assert enter(person.username, PASSWORD, client=own) == 302
    own.post(reverse("logout"))
    assert enter(other.username, PASSWORD, client=own) == 429, "not the device of the other"
    for _ in range(sign_in.TRIES):
        assert enter(person.username, "wrong", client=own) == 200
    assert enter(person.username, PASSWORD, client=own) == 429, "but the device has its own limit"


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:bbbb::9", "2001:db8:1:2::/64"),
        ("::ffff:203.0.113.7", HERE),
        (HERE, HERE),
        ("", "unknown"),
    ],
)
def test_a_subscriber_of_many_addresses_is_one_place(rf: Any, address: str, place: str) -> None:
    assert sign_in.address_of(rf.get("/", REMOTE_ADDR=address)) == place


@pytest.mark.parametrize(
    ("url_name", "field", "rest"),
    [
        ("password_change", "old_password", {"new_password1": "a-b-c-9-x", "new_password2": "q"}),
        ("my_pin", "password", {"pin": "4826", "again": "4826"}),
        ("password_confirm", "password", {}),
    ],
)
def test_the_own_password_is_not_to_be_guessed_within(
    client: Client, url_name: str, field: str, rest: dict[str, str]
) -> None:
    person = make_staff(Role.TECHNICIAN)
    client.force_login(person)
    client.get(reverse("board"))
    for _ in range(sign_in.TRIES):
        page = client.post(reverse(url_name), {field: "wrong", **rest}).content.decode()
        assert "This is not your password" in page
    page = client.post(reverse(url_name), {field: PASSWORD, **rest}).content.decode()
    assert "Too many wrong passwords from here. Try again today" in page


@pytest.mark.django_db(transaction=True)
def test_tries_made_in_the_same_instant_are_counted_each() -> None:
    """Sixteen at once get eight answers, and eight refusals."""
    person = make_staff(Role.TECHNICIAN)
    start = Barrier(16)

    def one(_: int) -> int:
        start.wait()
        try:
            return enter(person.username, "wrong")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(16) as many:
        answers = list(many.map(one, range(16)))
    assert sorted(answers) == [200] * 8 + [429] * 8
    assert len(at_the_door(sign_in.FAILED)) == 8
    assert len(at_the_door(sign_in.SHUT)) == 1


def test_the_log_tells_who_came_in_who_tried_and_never_what_was_typed(client: Client) -> None:
    person, manager = make_staff(Role.TECHNICIAN), make_staff(Role.MANAGER)
    enter("my-secret-in-the-wrong-field", "wrong")
    enter(person.username, "my-other-secret")
    enter(person.username, PASSWORD, client=client)
    client.post(reverse("logout"))

    unknown, failed, done, ended = ShopEvent.objects.order_by("pk")
    assert [one.code for one in (unknown, failed, done, ended)] == [
        sign_in.FAILED,
        sign_in.FAILED,
        sign_in.SIGNED_IN,
        sign_in.SIGNED_OUT,
    ]
    assert unknown.about[0] == "shop"
    assert failed.about == ("staffmember", person.pk)
    assert (failed.actor, done.actor) == (None, person)
    assert failed.after == {"by": "password", "address": HERE, "device": "new"}
    assert entry_of(failed).who == "Nobody signed in"
    assert "secret" not in "".join(str(vars(one)) for one in ShopEvent.objects.all())
    assert not SignInAttempts.objects.filter(name_hash__contains="secret").exists()

    client.force_login(manager)
    page = client.get(reverse("shop_log"), {"kind": "door"}).content.decode()
    assert all(words in page for words in ("Failed sign-in", "Signed in", "Signed out", HERE))
    by_server = client.get(reverse("shop_log"), {"by": "server"}).content.decode()
    assert "Failed sign-in" not in by_server
