"""The first day: a short path, each step skippable and taken up again, for the manager alone."""

from datetime import time

import pytest
from django.test import Client
from django.urls import reverse

from shop.first_day import first_steps
from shop.models import Bay, OpenHours, Shop, ShopEvent
from shop.roles import Role
from tests.factories import make_job, make_product, make_shop, make_staff

pytestmark = pytest.mark.django_db


def left() -> list[str]:
    steps = first_steps(Shop.objects.current())
    return [one.name for one in steps if not one.done and not one.left_out]


def test_an_empty_book_greets_its_owner_with_the_path(client: Client) -> None:
    manager = make_staff(Role.MANAGER)
    client.force_login(manager)
    assert client.get(reverse("home")).headers["Location"] == reverse("first_day")
    assert reverse("first_day") in client.get(reverse("board")).content.decode()
    assert left()[:2] == ["shop", "bays"]
    client.force_login(make_staff(Role.FRONT_DESK))
    assert client.get(reverse("home")).headers["Location"] == reverse("board")
    assert reverse("first_day") not in client.get(reverse("board")).content.decode()
    make_job()
    client.force_login(manager)
    assert client.get(reverse("home")).headers["Location"] == reverse("board")
    assert reverse("first_day") not in client.get(reverse("board")).content.decode()


def test_each_step_is_done_by_its_own_page_and_by_no_other() -> None:
    everything = left()
    assert len(everything) == 7
    for name, do in {
        "shop": lambda: make_shop(name="Heronsway Sound"),
        "bays": lambda: Bay.objects.create(name="Bay 1"),
        "hours": lambda: OpenHours.objects.create(weekday=0, opens_at=time(8), closes_at=time(17)),
        "staff": lambda: [make_staff(Role.TECHNICIAN) for _ in range(2)],
        "money": lambda: make_shop(currency="EUR"),
        "parts": make_product,
    }.items():
        before = left()
        do()
        assert [one for one in before if one not in left()] == [name]
    assert left() == ["tablets"]


def test_a_step_is_left_out_and_taken_up_again_once(client: Client) -> None:
    client.force_login(make_staff(Role.MANAGER))
    url = reverse("first_day_leave")
    for _ in range(2):
        client.post(url, {"step": "tablets", "out": "1"})
    assert "tablets" not in left()
    assert ShopEvent.objects.filter(code="shop.changed").count() == 1
    client.post(url, {"step": "nonsense", "out": "1"})
    client.post(url, {"step": "tablets"})
    assert "tablets" in left()
    assert "Leave it out" in client.get(reverse("first_day")).content.decode()
