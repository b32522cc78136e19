"""Shared tablets: a PIN opens a registered tablet alone; few tries; the log names the person."""

import json
from datetime import timedelta
from urllib.parse import quote

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import get_resolver, reverse
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import Job
from shop.models import Bay, StaffMember, Tablet
from shop.roles import Role
from shop.services import pins, tablets
from tests.clock import at
from tests.factories import PASSWORD, make_job, make_staff

pytestmark = pytest.mark.django_db

HTMX = {"HX-Request": "true"}


@pytest.fixture
def manager() -> StaffMember:
    return make_staff(Role.MANAGER)


def somebody(pin: str = "4826", *roles: Role) -> StaffMember:
    person = make_staff(*(roles or (Role.TECHNICIAN,)))
    pins.set_pin(person, pin, by=person)
    return person


@pytest.fixture
def tablet(client: Client, manager: StaffMember) -> Tablet:
    """The test's client is a registered tablet, with nobody signed in."""
    client.force_login(manager)
    client.post(reverse("tablet_register"), {"name": "Bay 1", "bay": ""})
    client.post(reverse("logout"))
    return Tablet.objects.get()


def enter(client: Client, person: StaffMember, pin: str, to: str = "") -> int:
    answer = client.post(reverse("tablet_switch"), {"person": person.pk, "pin": pin, "next": to})
    return int(answer.status_code)


def person_at(client: Client) -> str:
    return str(client.session.get("_auth_user_id", ""))


def test_a_pin_opens_a_registered_tablet_and_goes_back_to_the_page(
    client: Client, tablet: Tablet
) -> None:
    person = somebody()
    page = reverse("vehicle_list")
    asked = client.get(page, follow=True)
    assert asked.redirect_chain[-1][0] == f"{reverse('tablet_switch')}?next={quote(page, safe='')}"
    assert person.name in asked.content.decode()
    before = client.session.session_key

    answer = client.post(
        reverse("tablet_switch"), {"person": person.pk, "pin": "4826", "next": page}
    )

    assert (answer.status_code, answer["Location"]) == (302, page)
    assert person_at(client) == str(person.pk)
    assert client.session.session_key != before
    cookie = client.cookies[tablets.COOKIE]
    assert cookie["httponly"]
    assert tablet.token_sha256 not in cookie.value
    away = client.post(
        reverse("tablet_switch"),
        {"person": person.pk, "pin": "4826", "next": "//else.example"},
    )
    assert away["Location"] == f"{reverse('board')}?who=open&when=today"


def test_after_a_switch_of_person_the_page_is_one_they_may_see(
    client: Client, tablet: Tablet, manager: StaffMember
) -> None:
    bay = Bay.objects.create(name="Lift")
    Tablet.objects.update(bay=bay)
    pins.set_pin(manager, "7139", by=manager)
    bench, desk = somebody(), somebody("9052", Role.FRONT_DESK)
    board = reverse("board")
    own = f"{board}?who=open&when=today&bay={bay.pk}"
    closed, shared = reverse("staff_list"), f"{reverse('vehicle_list')}?q=A"
    for person, pin, wanted, to in (
        (bench, "4826", closed, own),
        (bench, "4826", "/nowhere/", own),
        (bench, "4826", shared, shared),
        (bench, "4826", "", own),
        (desk, "9052", closed, f"{board}?bay={bay.pk}"),
        (manager, "7139", closed, closed),
    ):
        post = {"person": person.pk, "pin": pin, "next": wanted}
        answer = client.post(reverse("tablet_switch"), post)
        assert answer["Location"] == to, (person, wanted)
        behind = {"HX-Request": "true", "HX-Current-URL": f"http://testserver{wanted or board}"}
        covered = client.post(reverse("tablet_switch"), post, headers=behind)
        told = json.loads(covered["HX-Trigger"])["tablet-unlocked"]
        assert told == {"person": person.pk, "to": to if wanted else board}
    assert client.get(reverse("home")).status_code == 302


def test_no_pin_opens_a_device_that_is_not_registered(client: Client) -> None:
    person = somebody()
    client.cookies[tablets.COOKIE] = "made-up:1abcde:signature"

    assert enter(client, person, "4826") == 422
    assert person_at(client) == ""


def test_a_revoked_tablet_ends_its_pin_sign_ins(
    client: Client, tablet: Tablet, manager: StaffMember
) -> None:
    person = somebody()
    enter(client, person, "4826")
    assert client.get(reverse("board")).status_code == 200

    tablets.revoke(tablet.pk, manager)

    assert client.get(reverse("board")).status_code == 302
    assert enter(client, person, "4826") == 422
    assert person_at(client) == ""


def test_a_pin_sign_in_does_not_move_to_another_device(client: Client, tablet: Tablet) -> None:
    enter(client, somebody(), "4826")
    other = Client()
    other.cookies["sessionid"] = client.cookies["sessionid"].value

    assert other.get(reverse("board")).status_code == 302


def test_wrong_pins_bring_a_wait_for_that_person_on_that_tablet_and_it_grows(
    client: Client, tablet: Tablet
) -> None:
    person, colleague = somebody(), somebody("7139")
    now = timezone.now()

    def wrong() -> pins.PinRefused:
        with pytest.raises(pins.PinRefused) as refused:
            pins.person_by_pin(tablet, person, "0000")
        return refused.value

    assert [wrong().said for _ in range(4)][-1] == "Wrong PIN. 1 try left."
    with at(now):
        assert wrong().wait_until == now + timedelta(minutes=5)
        with pytest.raises(pins.PinRefused, match="Try again at"):
            pins.person_by_pin(tablet, person, "4826")
        assert pins.person_by_pin(tablet, colleague, "7139") == colleague
    later = now + timedelta(minutes=6)
    with at(later):
        assert [wrong() for _ in range(5)][-1].wait_until == later + timedelta(minutes=10)
    with at(later + timedelta(minutes=11)):
        assert pins.person_by_pin(tablet, person, "4826") == person
        assert wrong().said == "Wrong PIN. 4 tries left."


@pytest.mark.parametrize("pin", ["123", "123456789", "12a4", "7777", "2345", "9876", "١٢٣٥"])
def test_a_pin_that_anybody_would_guess_is_refused(pin: str) -> None:
    person = make_staff(Role.TECHNICIAN)
    with pytest.raises(ValidationError):
        pins.set_pin(person, pin, by=person)


def test_ones_own_pin_needs_the_password(client: Client, tablet: Tablet) -> None:
    person = somebody()
    enter(client, person, "4826")
    new = {"pin": "8051", "again": "8051"}

    assert client.post(reverse("my_pin"), {**new, "password": "guess"}).status_code == 422
    assert client.post(reverse("my_pin"), {**new, "password": PASSWORD}).status_code == 302
    person.refresh_from_db()
    assert person.pin.startswith("md5$")
    assert pins.person_by_pin(tablet, person, "8051") == person


def _tick(client: Client, job: Job, pk: int, page_of: StaffMember) -> int:
    answer = client.post(
        reverse("bay_step_save", args=[job.number, pk]),
        {"done": "true", "version": "1", "key": f"{page_of.pk}-{pk}"},
        headers={**HTMX, "Loombook-Person": str(page_of.pk)},
    )
    return int(answer.status_code)


def test_the_log_names_whoever_signed_in_and_a_page_left_open_names_nobody_else(
    client: Client, tablet: Tablet
) -> None:
    first, second = somebody(), somebody("7139")
    job = make_job(Stage.IN_BAY)
    steps = [job.steps.create(order=order, text=f"Step {order}") for order in range(3)]

    enter(client, first, "4826")
    assert _tick(client, job, steps[0].pk, first) == 200
    locked = client.post(reverse("tablet_lock"), headers=HTMX)
    assert second.name in locked.content.decode()
    assert _tick(client, job, steps[1].pk, first) == 401
    enter(client, second, "7139")
    assert _tick(client, job, steps[1].pk, first) == 401
    assert _tick(client, job, steps[1].pk, second) == 200

    told = job.events.filter(code="step.done").order_by("pk")
    assert [event.actor for event in told] == [first, second]


def test_a_pin_does_not_open_settings_and_the_password_does(client: Client, tablet: Tablet) -> None:
    boss = somebody("9052", Role.MANAGER)
    enter(client, boss, "9052")
    ask = reverse("password_confirm")
    patterns = get_resolver().reverse_dict
    pages = {
        str(name)
        for name in patterns
        if isinstance(name, str)
        for possibility, *_ in [patterns.getlist(name)[0]]
        if possibility[0][0].startswith("settings/")
    }
    assert {"settings", "staff_edit", "tablet_revoke", "step_kinds"} <= pages
    for name in sorted(pages):
        needs = patterns.getlist(name)[0][0][0][1]
        address = reverse(name, kwargs=dict.fromkeys(needs, 1))
        answer = client.post(address)
        assert answer.status_code == 302, name
        assert answer["Location"].startswith(ask), name

    staff = reverse("staff_list")
    assert client.post(ask, {"password": "guess", "next": staff}).status_code == 422
    assert client.post(ask, {"password": PASSWORD, "next": staff})["Location"] == staff
    assert client.get(staff).status_code == 200
