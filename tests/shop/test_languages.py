"""Whose language is whose, and how each writes numbers, days and lists."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from jobs.templatetags.money import decimal
from shop import languages, money, wording
from shop.kept_words import drawn, told
from shop.languages import asked_by, first_of, speaking
from shop.models import Shop
from shop.roles import Role
from tests.factories import CustomerFactory, make_shop, make_staff

SPACE = "\u00a0"


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("de-AT,de;q=0.9,en;q=0.5", "de"),
        ("es-419", "es"),
        ("en-US,en;q=0.9,de;q=0.8", "en-gb"),
        ("fr, de;q=0.3", "de"),
        ("fr", ""),
        ("", ""),
        ("d" * 3000, ""),
    ],
)
def test_what_a_browser_asks_for(header: str, code: str) -> None:
    assert asked_by(header) == code


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("person", "shop", "asked", "spoken"),
    [
        ("es", "de", "en", "es"),
        ("", "de", "es", "de"),
        ("", "", "es", "es"),
        ("", "", "", "en"),
    ],
)
def test_a_person_reads_in_their_own_language_or_the_shops_or_the_browsers(
    client: Client, person: str, shop: str, asked: str, spoken: str
) -> None:
    make_shop(language=shop)
    staff = make_staff(Role.TECHNICIAN, language=person)
    client.force_login(staff)
    answer = client.get(reverse("my_language"), headers={"Accept-Language": asked})
    assert f'<html lang="{spoken}">' in answer.content.decode()
    assert "Accept-Language" in answer["Vary"]


@pytest.mark.django_db
def test_a_stranger_reads_in_the_browsers_language_or_the_shops(client: Client) -> None:
    make_shop(language="de")
    for browser, spoken in (("es", "es"), ("fr", "de")):
        page = client.get(reverse("verify"), headers={"Accept-Language": browser})
        assert f'<html lang="{spoken}">' in page.content.decode()


@pytest.mark.django_db
def test_a_person_chooses_and_the_answer_is_in_the_new_language(client: Client) -> None:
    make_shop()
    staff = make_staff(Role.TECHNICIAN)
    client.force_login(staff)
    answer = client.post(reverse("my_language"), {"language": "de"}, follow=True)
    assert '<html lang="de">' in answer.content.decode()
    refused = client.post(reverse("my_language"), {"language": "xx"})
    assert refused.status_code == 422


def test_papers_are_in_the_customers_language_or_the_shops() -> None:
    customer, shop = CustomerFactory.build(), Shop()
    assert first_of(customer, shop) == "en-gb"
    shop.language = "de"
    assert first_of(customer, shop) == "de"
    customer.language = "es"
    assert first_of(customer, shop) == "es"
    assert first_of(None) == "en-gb"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("en-gb", ("48 210.5", "−3.0", "12 500.50 EUR", "2.5", "25 Nov 2026", "a and b")),
        ("es", ("48 210,5", "−3,0", "12 500,50 EUR", "2,5", "25 nov 2026", "a y b")),
        ("de", ("48 210,5", "−3,0", "12 500,50 EUR", "2,5", "25.11.2026", "a und b")),
    ],
)
def test_each_language_writes_in_its_own_way(code: str, said: tuple[str, ...]) -> None:
    with speaking(code):
        written = (
            wording.number(48210.5, 1),
            wording.number(-3.0, 1),
            money.said(money.Decimal("12500.5"), "EUR"),
            decimal("2.50"),
            wording.day(date(2026, 11, 25)),
            wording.listed(["a", "b"]),
        )
    assert tuple(one.replace(SPACE, " ") for one in written) == said


@pytest.mark.parametrize(
    ("code", "near", "long", "days"),
    [
        ("es", "mié, 25 nov 2020, 14:05", "miércoles, 25 de noviembre", "2 días"),
        ("de", "Mi., 25.11.2020, 14:05", "Mittwoch, 25. November", "2 Tage"),
    ],
)
def test_days_and_lengths(code: str, near: str, long: str, days: str) -> None:
    at = datetime(2020, 11, 25, 14, 5, tzinfo=UTC)
    with speaking(code):
        assert wording.dated(at) == near
        assert wording.long_day(at) == long
        assert wording.about(timedelta(days=2)) == days
        assert wording.signed(0.0) == "0,0"
        assert wording.signed(1.5) == "+1,5"


def test_and_and_or_sound_right_in_spanish() -> None:
    with speaking("es"):
        assert wording.listed(["Ana", "Inés"]) == "Ana e Inés"
        assert wording.listed(["hierro", "hielo"]) == "hierro y hielo"
        assert wording.listed(["siete", "ocho"], last="or") == "siete u ocho"
        assert wording.listed(["pdf", "png"], last="or") == "pdf o png"


def test_what_is_kept_in_english_is_said_in_the_readers_language() -> None:
    assert told("Voltage at A1 under load") == "Voltage at A1 under load"
    with speaking("de"):
        assert told("Battery at rest") == "Batterie in Ruhe"
        assert told("Voltage at A1 under load") == "Spannung an A1 unter Last"
        assert told("Typed by a person") == "Typed by a person"
        assert told("") == ""
        drawing = (
            '<svg aria-label="Left side"><text x="1.5">Before</text><text>74.7 Hz</text></svg>'
        )
        assert drawn(drawing) == (
            '<svg aria-label="Linke Seite"><text x="1.5">Vorher</text><text>74,7 Hz</text></svg>'
        )


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ("at 74.7 Hz, −3.25 dB.", "at 74,7 Hz, −3,25 dB."),
        ("A1.3 into 4 Ω", "A1.3 into 4 Ω"),
        ("firmware 1.2.3", "firmware 1.2.3"),
        ("12\u00a0500.5 W", "12\u00a0500,5 W"),
    ],
)
def test_names_and_versions_are_no_numbers(kept: str, said: str) -> None:
    with speaking("de"):
        assert wording.figures_said(kept) == said
    assert wording.figures_said(kept) == kept


def test_what_programs_read_keeps_its_point() -> None:
    """A number that no filter of ours has written is for a program: an attribute, a drawing."""
    from django.template import Context, Template
    from django.utils import formats

    template = Template('<p data-gain="{{ gain }}">{{ gain|fixed:1 }}</p>')
    for code in languages.NAMES:
        with speaking(code):
            point = wording.style().point
            page = template.render(Context({"gain": -12500.5}))
            assert page == f'<p data-gain="-12500.5">−12{SPACE}500{point}5</p>'
            assert formats.localize_input(date(2026, 11, 25)) == "25/11/2026"
