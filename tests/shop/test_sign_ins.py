"""What is signed in: it ends with whatever it rests on, is listed, and is ended by hand."""

from datetime import timedelta
from typing import Any
from unittest.mock import patch

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop.middleware import BY_ITSELF
from shop.models import Shop, ShopEvent, SignIn, StaffMember
from shop.roles import Role
from shop.services import pins, sign_in
from shop.services.people import save_staff
from tests.factories import PASSWORD, make_staff

pytestmark = pytest.mark.django_db


@pytest.fixture
def manager() -> StaffMember:
    return make_staff(Role.MANAGER)


def by_password(person: StaffMember, address: str = "203.0.113.7") -> Client:
    client = Client(REMOTE_ADDR=address)
    form = {"username": person.username, "password": PASSWORD}
    assert client.post(reverse("login"), form).status_code == 302
    return client


def by_pin(person: StaffMember, manager: StaffMember) -> Client:
    """A registered tablet on which the person has signed in."""
    client = by_password(manager)
    client.post(reverse("tablet_register"), {"name": "Bay 1", "bay": ""})
    client.post(reverse("logout"))
    client.post(reverse("tablet_switch"), {"person": person.pk, "pin": "4826"})
    assert is_in(client)
    return client


def is_in(client: Client, **headers: str) -> bool:
    status = client.get(reverse("board"), headers=headers).status_code
    assert status in {200, 302}
    return status == 200


def later(after: timedelta) -> Any:
    now = timezone.now()
    return patch.object(timezone, "now", lambda: now + after)


def test_a_new_pin_of_a_manager_ends_what_the_old_one_opened_and_nothing_else(
    manager: StaffMember,
) -> None:
    person = make_staff(Role.TECHNICIAN)
    pins.set_pin(person, "4826", by=person)
    tablet, desk = by_pin(person, manager), by_password(person)

    save_staff(StaffMember.objects.get(pk=person.pk), pin="7139", by=manager)

    assert (is_in(tablet), is_in(desk)) == (False, True)


def test_a_pin_set_beside_the_service_ends_its_session_too(manager: StaffMember) -> None:
    """As when the PIN is set while a sign-in with the old one is on its way."""
    person = make_staff(Role.TECHNICIAN)
    pins.set_pin(person, "4826", by=person)
    tablet = by_pin(person, manager)
    pins.set_pin(person, "7139", by=manager)
    assert not is_in(tablet)


def test_ones_own_new_pin_keeps_the_tablet_in_hand_and_ends_the_others(
    manager: StaffMember,
) -> None:
    person = make_staff(Role.TECHNICIAN)
    pins.set_pin(person, "4826", by=person)
    here, there, desk = by_pin(person, manager), by_pin(person, manager), by_password(person)
    answer = here.post(reverse("my_pin"), {"password": PASSWORD, "pin": "7139", "again": "7139"})
    assert answer.status_code == 302
    assert (is_in(here), is_in(there), is_in(desk)) == (True, False, True)


@pytest.mark.parametrize(
    ("changes", "ends"),
    [
        ({"is_active": False}, True),
        ({"is_front_desk": True}, True),
        ({"name": "Odo Marrick"}, False),
    ],
)
def test_other_roles_and_no_sign_in_end_sessions_and_another_name_does_not(
    manager: StaffMember, changes: dict[str, Any], ends: bool
) -> None:
    person, colleague = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)
    theirs, others = by_password(person), by_password(colleague)
    for name, value in changes.items():
        setattr(person, name, value)
    save_staff(person, by=manager)
    if not person.is_active:
        person.is_active = True
        save_staff(person, by=manager)
    assert is_in(theirs) is not ends, "also when the sign-in is given back"
    assert is_in(others)


def test_a_manager_who_takes_a_role_stays_in_here_alone(manager: StaffMember) -> None:
    here, there = by_password(manager), by_password(manager)
    form = {"name": manager.name, "username": manager.username, "is_active": "on"}
    roles = {"is_manager": "on", "is_technician": "on"}
    assert here.post(reverse("staff_edit", args=[manager.pk]), form | roles).status_code == 302
    assert (is_in(here), is_in(there)) == (True, False)


def test_a_new_password_ends_every_other_session(manager: StaffMember) -> None:
    here, there = by_password(manager), by_password(manager)
    new = "orchard-lantern-41"
    form = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    assert here.post(reverse("password_change"), form).status_code == 302
    assert (is_in(here), is_in(there)) == (True, False)
    assert SignIn.objects.filter(person=manager).count() == 1


def test_a_browser_left_alone_is_signed_out_and_one_in_use_is_not(manager: StaffMember) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"idle_limit_h": 2})
    client = by_password(manager)
    with later(timedelta(hours=1, minutes=59)):
        assert is_in(client)
    with later(timedelta(hours=3, minutes=58)):
        assert is_in(client), "used in between"
    with later(timedelta(hours=5, minutes=57)):
        assert is_in(client, **{BY_ITSELF: "1"}), "a page that looks for news"
    with later(timedelta(hours=5, minutes=59)):
        assert not is_in(client), "is nobody at work"
        page = client.get(reverse("login")).content.decode()
        assert "nothing was done here for 2\u00a0h" in page
    ended = ShopEvent.objects.filter(code=sign_in.SIGNED_OUT).get()
    assert ended.actor == manager


def test_an_entry_sent_after_the_limit_is_told_to_sign_in_and_keeps_what_was_typed(
    manager: StaffMember,
) -> None:
    client = by_password(manager)
    with later(timedelta(hours=12, minutes=1)):
        answer = client.post(reverse("part_add", args=[1]), headers={"HX-Request": "true"})
    assert answer.status_code == 401
    assert "what you typed stays" in answer.content.decode()


def test_no_session_lasts_longer_than_two_weeks_however_busy(manager: StaffMember) -> None:
    client = by_password(manager)
    for turn in range(1, 31):
        with later(timedelta(hours=11 * turn)):
            assert is_in(client), turn
    with later(timedelta(days=14, minutes=1)):
        assert not is_in(client)


def test_sign_ins_are_listed_and_ended_by_their_person(manager: StaffMember) -> None:
    here, there = by_password(manager), by_password(manager, "203.0.113.99")
    idle = by_password(manager, "203.0.113.50")
    SignIn.objects.filter(address="203.0.113.50").update(
        seen_at=timezone.now() - timedelta(hours=13)
    )
    page = here.get(reverse("sign_ins"))
    marks = {one.address: mark for mark, one, _ in page.context["listed"]}
    assert set(marks) == {"203.0.113.7", "203.0.113.99"}, "what is over is not listed"
    assert not any(
        key in page.content.decode() for key in SignIn.objects.values_list("pk", flat=True)
    )

    here.post(reverse("sign_in_end"), {"mark": marks["203.0.113.99"]})
    assert (is_in(here), is_in(there)) == (True, False)
    here.post(reverse("sign_in_end"))
    assert (is_in(here), is_in(idle)) == (True, False)
    here.post(reverse("sign_in_end"), {"mark": marks["203.0.113.7"]})
    assert not is_in(here)


def test_a_manager_ends_the_sign_ins_of_others_and_nobody_else_does(manager: StaffMember) -> None:
    person, colleague = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)
    theirs, others, office = by_password(person), by_password(colleague), by_password(manager)
    listed = office.get(reverse("staff_sign_ins", args=[person.pk])).context["listed"]
    [(mark, _, _)] = listed

    others.post(reverse("sign_in_end"), {"mark": mark})
    assert others.post(reverse("staff_sign_in_end", args=[person.pk])).status_code == 403
    assert is_in(theirs), "a mark of another's session ends nothing"

    office.post(reverse("staff_sign_in_end", args=[person.pk]), {"mark": mark})
    assert (is_in(theirs), is_in(others), is_in(office)) == (False, True, True)
    ended = ShopEvent.objects.filter(code=sign_in.SIGNED_OUT).get()
    assert (ended.actor, ended.about) == (manager, ("staffmember", person.pk))
