"""What is signed in: it ends with whatever it rests on, is listed, and is ended by hand."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop.middleware import BY_ITSELF
from shop.models import CodeApp, Shop, ShopEvent, SignIn, StaffMember, Tablet
from shop.roles import Role
from shop.services import code_apps, pins, second_factor, sign_in, tablets
from shop.services.people import save_staff
from shop.session_keys import NEW_KEY, SECOND_SHOWN
from tests.clock import later
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


ENDS: dict[str, tuple[bool, bool]] = {
    "deactivated": (True, True),  # Also when the sign-in is given back.
    "other roles": (True, True),
    "password by a manager": (True, True),
    "password by themselves": (True, True),
    "PIN by a manager": (False, True),
    "second factor set up": (True, True),
    "second factor removed": (True, True),
    "second factor reset by a manager": (True, True),
    "second factor reset on the server": (True, True),
    "tablet taken out of use": (False, True),
    "signed out everywhere": (True, True),
    "another name": (False, False),
}
"""Whether it ends the person's sign-ins in other browsers, and by PIN on a tablet."""


@pytest.mark.parametrize("what", ENDS)
def test_a_sign_in_ends_with_whatever_it_rests_on(manager: StaffMember, what: str) -> None:
    person, colleague = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)
    pins.set_pin(person, "4826", by=person)
    here, there, others = by_password(person), by_password(person), by_password(colleague)
    tablet = by_pin(person, manager)
    new = "orchard-lantern-41"
    if what == "second factor removed":
        CodeApp.objects.create(person=person, key_sealed=code_apps.new_key_sealed())
        session = here.session
        session[SECOND_SHOWN] = timezone.now().isoformat()
        session.save()

    def changed(**fields: Any) -> None:
        row = StaffMember.objects.get(pk=person.pk)
        for name, value in fields.items():
            setattr(row, name, value)
        save_staff(row, by=manager)

    def set_up() -> None:
        here.get(reverse("second_factor_app"))
        code = code_apps.code_now(here.session[NEW_KEY])
        here.post(reverse("second_factor_app"), {"second": code})

    own = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    does: dict[str, Callable[[], Any]] = {
        "deactivated": lambda: [changed(is_active=active) for active in (False, True)],
        "other roles": lambda: changed(is_front_desk=True),
        "password by a manager": lambda: save_staff(person, password=new, by=manager),
        "password by themselves": lambda: here.post(reverse("password_change"), own),
        "PIN by a manager": lambda: save_staff(person, pin="7139", by=manager),
        "second factor set up": set_up,
        "second factor removed": lambda: here.post(reverse("second_factor_remove")),
        "second factor reset by a manager": lambda: second_factor.reset(person, manager),
        "second factor reset on the server": lambda: second_factor.reset(person, None),
        "tablet taken out of use": lambda: tablets.revoke(Tablet.objects.get().pk, manager),
        "signed out everywhere": lambda: here.post(reverse("sign_in_end")),
        "another name": lambda: changed(name="Odo Marrick"),
    }
    does[what]()
    assert (not is_in(there), not is_in(tablet)) == ENDS[what]
    by_oneself = ("password by themselves", "second factor set up", "second factor removed")
    if what in (*by_oneself, "signed out everywhere"):
        assert is_in(here), "where it was done"
    assert is_in(others)


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

    # ASVS 5.0 (2025), 7.5.2: as by whoever sits down at a device that was left open.
    with later(timedelta(minutes=11)):
        for data in ({"mark": marks["203.0.113.99"]}, {}):
            asked = here.post(reverse("sign_in_end"), data)
            assert asked.url == f"{reverse('proof_again')}?next=%2Fsigned-in%2F"
            assert is_in(there) and is_in(here)
        here.post(asked.url, {"password": PASSWORD})
    here.post(reverse("sign_in_end"), {"mark": marks["203.0.113.99"]})
    assert (is_in(here), is_in(there)) == (True, False)
    here.post(reverse("sign_in_end"))
    assert (is_in(here), is_in(idle)) == (True, False)
    with later(timedelta(minutes=22)):
        here.post(reverse("sign_in_end"), {"mark": marks["203.0.113.7"]})
        assert not is_in(here), "to leave, nobody is asked"


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
