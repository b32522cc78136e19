"""What a new password and a new PIN may not be, wherever one is set."""

from collections.abc import Callable

import pytest
from django.contrib.auth.password_validation import get_default_password_validators
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils.html import escape
from django.utils.http import urlencode

from shop import passwords
from shop.forms.people import StaffForm
from shop.languages import speaking
from shop.models import StaffMember
from shop.roles import Role
from shop.services import tablets
from shop.services.people import save_staff
from shop.services.pins import validate_pin
from tests.factories import PASSWORD, make_shop, make_staff

pytestmark = pytest.mark.django_db

GOOD = (
    "orchard-lantern-41",
    "gate trumpet nine owl",
    "Wassereimer Pflaume Turm",
    "ñandú lápiz torre",
)

REFUSED = {
    "short-lantern9": "too short",
    "polniypizdec0211": "too common",
    "123456789012345": "tried first",
    "PasswordPassword1!": "tried first",
    "iloveyouiloveyou": "tried first",
    "qwertzuiopasdfgh": "tried first",
    "abcabcabcabcabcabc": "tried first",
    "1985041219850412": "tried first",
    "Vesna Holloway 1": "Too close to your name",
    "lanternlane-2026": "little more than",
    "loombook-loombook": "little more than",
    "vesna.holloway@example.org": "Too close to your name",
}
"""Each with why. One leaked one that is long enough stands in Django's own list; those put together
of leaked ones, or of one that is repeated, stand in no list."""

Place = Callable[[str], str]
"""Sets a password; gives the page or the message of a refusal, empty when it is set."""


@pytest.fixture
def person() -> StaffMember:
    make_shop(name="Lantern Lane Sound")
    person = make_staff(Role.MANAGER)
    person.name, person.username = "Vesna Holloway", "vesna"
    person.email = "vesna.holloway@example.org"
    person.save()
    return person


@pytest.fixture(params=["first manager", "own", "by a manager", "new colleague"])
def place(request: pytest.FixtureRequest, client: Client, person: StaffMember) -> Place:
    """Each place where a password is set."""

    def post(url: str, form: dict[str, str]) -> str:
        answer = client.post(url, form)
        return "" if answer.status_code == 302 else answer.content.decode()

    def first_manager(password: str) -> str:
        StaffMember.objects.all().delete()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("shop.management.commands.add_manager.getpass", lambda _: password)
            try:
                call_command("add_manager", "vesna.holloway@example.org", "Vesna Holloway")
            except CommandError as error:
                return str(error)
        return ""

    def own(password: str) -> str:
        client.force_login(person)
        form = {"old_password": PASSWORD, "new_password1": password, "new_password2": password}
        return post(reverse("password_change"), form)

    def by_manager(password: str) -> str:
        client.force_login(make_staff(Role.MANAGER))
        form = {"name": person.name, "username": person.username, "email": person.email}
        roles = {"is_manager": "on", "is_active": "on", "password": password}
        return post(reverse("staff_edit", args=[person.pk]), form | roles)

    def new_colleague(password: str) -> str:
        client.force_login(make_staff(Role.MANAGER))
        StaffMember.objects.filter(pk=person.pk).delete()
        form = {"name": person.name, "username": person.username, "email": person.email}
        return post(reverse("staff_create"), {**form, "is_technician": "on", "password": password})

    ways = {"first manager": first_manager, "own": own, "by a manager": by_manager}
    return {**ways, "new colleague": new_colleague}[request.param]


def test_a_leaked_or_own_password_is_refused_wherever_one_is_set(place: Place) -> None:
    for password, why in REFUSED.items():
        said = place(password)
        assert why in said, (password, said[-300:])
    assert place(GOOD[0]) == ""


def test_long_and_odd_is_enough_and_the_reason_is_said_in_every_language(
    person: StaffMember,
) -> None:
    rules = get_default_password_validators()

    def refusals(password: str) -> list[str]:
        said = []
        for rule in rules:
            try:
                rule.validate(password, person)
            except ValidationError as error:
                said += error.messages
        return said

    assert [refusals(password) for password in GOOD] == [[]] * len(GOOD), "no kind of sign is asked"
    assert refusals("lantern lane trumpet owl") == [], "a word of the shop's among others"
    english = [refusals(password)[0] for password in REFUSED]
    for language in ("de", "es"):
        with speaking(language):
            other = [refusals(password)[0] for password in REFUSED]
        assert not set(english) & set(other), language
    assert str(passwords.SHORTEST) in StaffForm().fields["password"].help_text
    assert getattr(rules[0], "min_length", 0) == passwords.SHORTEST


def test_a_tenth_of_all_pins_is_tried_first_and_refused() -> None:
    """About a tenth is best: P. Markert and others, IEEE Symposium on Security and Privacy 2020."""

    def stands(pin: str) -> bool:
        try:
            validate_pin(pin)
        except ValidationError:
            return False
        return True

    taken = sum(not stands(f"{n:04d}") for n in range(10_000))
    assert 800 <= taken <= 1200
    easy = "1234 0000 9876 1717 4554 4455 2580 1987 2024 3112 1231 0229 "
    easy += "123456 311299 991231 777888 123123 31121999 19991231"
    near = "1243 0007 9867 1718 4553 4456 2581 1899 2148 3213 1432 0230 "
    near += "123465 321299 991331 777898 124134 32121999 19991331"
    for pin in easy.split():
        assert not stands(pin), pin
    for pin in near.split():
        assert stands(pin), pin


def test_a_refused_pin_says_what_to_do_on_both_pages(client: Client, person: StaffMember) -> None:
    client.force_login(person)
    typed = {"password": PASSWORD, "pin": "3112", "again": "3112"}
    page = client.post(reverse("my_pin"), typed).content.decode()
    assert escape("dates and years are tried first") in page
    form = {"name": person.name, "username": "vesna", "is_manager": "on", "is_active": "on"}
    page = client.post(
        reverse("staff_edit", args=[person.pk]), {**form, "pin": "2580"}
    ).content.decode()
    assert escape("no line on the pad") in page


def test_a_password_that_a_manager_chose_opens_one_page_alone_until_its_owner_has_another() -> None:
    """ASVS 5.0 (2025), 6.4.1: what was given first must not become the password that is kept."""
    make_shop(second_factor_required=True)
    manager, person = make_staff(Role.MANAGER), make_staff(Role.TECHNICIAN)
    given, own = "copper-lantern-4-orchard", "seven-otters-6-in-velvet"
    board, change = reverse("board"), reverse("password_change")
    wanted = reverse("my_pin")
    held = f"{change}?{urlencode({'next': wanted})}"
    save_staff(person, pin="4826", by=manager)
    assert not person.password_given, "an account as it stands is not bothered"
    for who in (person, StaffMember(username="ana", name="Ana Brandvold", is_manager=True)):
        save_staff(who, password=given, by=manager)
        client = Client()
        signed = {"username": who.username, "password": given, "next": wanted}
        assert client.post(reverse("login"), signed)["Location"] == wanted
        assert client.get(wanted)["Location"] == held
        assert client.get(reverse("second_factor"))["Location"].startswith(change)
        entry = client.post(reverse("part_add", args=[1]), headers={"HX-Request": "true"})
        assert entry.status_code == 401, "what was typed before waits on the device"
        page = client.get(held).content.decode()
        assert "A manager chose" in page and "old_password" not in page, "it was typed just now"
        new = {"next": wanted, "new_password1": given, "new_password2": given}
        assert "that you were given" in client.post(change, new).content.decode()
        new |= {"new_password1": own, "new_password2": own}
        assert client.post(change, new)["Location"] == wanted
        after = client.get(wanted)
        on = reverse("second_factor") if who.is_manager else None
        assert after.get("Location") == on, "a manager goes on to the second factor"
        assert "old_password" in client.get(change).content.decode()

    save_staff(person, password=given, by=manager)
    tablet, bench = HttpResponse(), Client()
    tablets.remember(tablet, tablets.register("Bay 1", None, manager)[1])
    bench.cookies = tablet.cookies
    bench.post(reverse("tablet_switch"), {"person": person.pk, "pin": "4826"})
    assert bench.get(board).status_code == 200, "a PIN is the owner's own"
    assert "old_password" in bench.get(change).content.decode()
    bench.post(reverse("password_confirm"), {"password": given})
    assert bench.get(board)["Location"].startswith(change)

    save_staff(manager, password=own, by=manager)
    assert not manager.password_given, "their own, typed by themselves"
