"""The paper of the shop is its own setting; so far it followed the units."""

from importlib import import_module

import pytest
from django.apps import apps
from django.test import Client
from django.urls import reverse

from shop.models import Shop
from shop.roles import Role
from tests.factories import make_shop, make_staff


@pytest.mark.django_db
@pytest.mark.parametrize(("units", "paper"), [("us", "letter"), ("metric", "a4")])
def test_a_shop_keeps_the_paper_it_had(units: str, paper: str) -> None:
    make_shop(units=units)
    migration = import_module("shop.migrations.0029_paper_size")
    migration.follow_units(apps, None)
    assert Shop.objects.current().paper_size == paper


@pytest.mark.django_db
def test_a_manager_says_it_apart_from_the_units(client: Client) -> None:
    make_shop(units="us")
    client.force_login(make_staff(Role.MANAGER))
    page = client.get(reverse("settings")).content.decode()
    assert "Letter (8.5" in page
