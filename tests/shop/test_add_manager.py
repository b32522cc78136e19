"""The account a new shop starts with."""

import io

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_staff

COMMAND = "shop.management.commands.add_manager.getpass"
pytestmark = pytest.mark.django_db


def test_the_first_manager_can_sign_in_and_add_staff(
    monkeypatch: pytest.MonkeyPatch, client: Client
) -> None:
    monkeypatch.setattr(COMMAND, lambda prompt: "orchard-lantern-41")
    call_command("add_manager", "vesna", "Vesna Holloway")
    assert StaffMember.objects.get().roles == {Role.MANAGER}
    assert client.login(username="vesna", password="orchard-lantern-41")
    assert client.get(reverse("staff_list")).status_code == 200


@pytest.mark.parametrize(
    ("typed", "reason"),
    [(["orchard-lantern-41", "orchard-lantern-14"], "differ"), (["vesna", "vesna"], "Too close")],
)
def test_a_mistyped_or_weak_password_makes_no_account(
    monkeypatch: pytest.MonkeyPatch, typed: list[str], reason: str
) -> None:
    answers = iter(typed)
    monkeypatch.setattr(COMMAND, lambda prompt: next(answers))
    with pytest.raises(CommandError, match=reason):
        call_command("add_manager", "vesna", "Vesna Holloway")
    assert not StaffMember.objects.exists()


def test_a_script_gives_the_password_on_standard_input(
    monkeypatch: pytest.MonkeyPatch, client: Client
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("orchard-lantern-41\n"))
    call_command("add_manager", "vesna", "Vesna Holloway", "--password-stdin")
    assert client.login(username="vesna", password="orchard-lantern-41")


def test_a_shop_without_anybody_says_how_to_begin(client: Client) -> None:
    assert "add_manager" in client.get(reverse("login")).content.decode()
    make_staff(Role.TECHNICIAN)
    assert "add_manager" not in client.get(reverse("login")).content.decode()
