"""The account a new shop starts with."""

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from shop.models import StaffMember
from shop.roles import Role

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
    [(["orchard-lantern-41", "orchard-lantern-14"], "differ"), (["vesna", "vesna"], "similar")],
)
def test_a_mistyped_or_weak_password_makes_no_account(
    monkeypatch: pytest.MonkeyPatch, typed: list[str], reason: str
) -> None:
    answers = iter(typed)
    monkeypatch.setattr(COMMAND, lambda prompt: next(answers))
    with pytest.raises(CommandError, match=reason):
        call_command("add_manager", "vesna", "Vesna Holloway")
    assert not StaffMember.objects.exists()
