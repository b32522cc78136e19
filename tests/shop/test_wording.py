"""How numbers, lengths of time, moments and lists are written."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from shop import wording
from shop.templatetags import wording as filters

SPACE = "\u00a0"


@pytest.mark.parametrize(
    ("value", "how", "said"),
    [
        (48210, {}, f"48{SPACE}210"),
        (3150, {}, "3150"),
        (1234567, {}, f"1{SPACE}234{SPACE}567"),
        (12.471, {}, "12.47"),
        (12.471, {"decimals": 1}, "12.5"),
        (-3.0, {"decimals": 1}, "−3.0"),
        (-0.04, {"decimals": 1}, "0.0"),
        (0.0000123, {}, "0.0000123"),
        (0.5, {"decimals": 3, "trim": True}, "0.5"),
        (100.0, {"decimals": 2, "trim": True}, "100"),
        (None, {}, "–"),
    ],
)
def test_numbers(value: float | None, how: dict[str, int], said: str) -> None:
    assert wording.number(value, **how) == said


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(475, "7 h 55 min"), (60, "1 h 00 min"), (59, "59 min"), (0, "0 min"), (-5, "0 min")],
)
def test_lengths_of_time(minutes: int, said: str) -> None:
    assert wording.duration(timedelta(minutes=minutes)) == said.replace(" ", SPACE, 1).replace(
        " min", f"{SPACE}min"
    )


@pytest.mark.parametrize(
    ("length", "said"),
    [
        (timedelta(seconds=5), f"1{SPACE}min"),
        (timedelta(minutes=59), f"59{SPACE}min"),
        (timedelta(minutes=60), f"1{SPACE}h"),
        (timedelta(hours=24), "1 day"),
        (timedelta(hours=49), "2 days"),
    ],
)
def test_about_how_long(length: timedelta, said: str) -> None:
    assert wording.about(length) == said


def test_lists() -> None:
    assert wording.listed([]) == ""
    assert wording.listed(["crossovers"]) == "crossovers"
    assert wording.listed(["crossovers", "EQ", "chimes"]) == "crossovers, EQ and chimes"
    assert wording.listed("abc", most=3) == "a, b and c"
    assert wording.listed("abcde", most=3) == "a, b, c and 2 more"
    assert wording.listed(["pdf", "png"], last="or") == "pdf or png"


def test_a_name_that_begins_with_its_label_is_not_labelled_twice() -> None:
    assert wording.labelled("bay", "Bay 1") == "Bay 1"
    assert wording.labelled("bay", "Lift") == "bay Lift"
    assert wording.labelled("bay", "Bayside") == "bay Bayside"


def test_moments_are_said_in_the_shops_zone() -> None:
    at = datetime(2026, 1, 1, 0, 30, tzinfo=UTC)
    west = ZoneInfo("America/Lima")
    with timezone.override(west):
        assert wording.stamp(at) == "31 Dec 2025, 19:30"
        assert wording.day(at) == "31 Dec 2025"
        assert wording.day(date(2026, 1, 1)) == "1 Jan 2026"
        assert wording.stamp(at, UTC) == "1 Jan 2026, 00:30"


def test_a_moment_near_now_is_said_by_its_day_and_another_year_is_named() -> None:
    now = timezone.localtime().replace(hour=12, minute=5)
    assert wording.moment(now) == "today 12:05"
    assert wording.moment(now - timedelta(days=1)) == "yesterday 12:05"
    far = now.replace(year=now.year - 2, month=3, day=9)
    assert wording.moment(far) == wording.dated(far) == f"{far:%a} 9 Mar {far.year}, 12:05"
    here = now.replace(month=6, day=15)
    assert wording.dated(here) == f"{here:%a} 15 Jun, 12:05"


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ("2026-11-04T17:45:00+00:00", "4 Nov 2026"),
        ("last autumn", "last autumn"),
        ("2026-13-41T17:45:00+00:00", "2026-13-41T17:45:00+00:00"),
    ],
)
def test_a_day_kept_as_text_by_another_shop(kept: str, said: str) -> None:
    assert filters.day(kept) == said
