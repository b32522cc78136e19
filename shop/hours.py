"""When the shop is open: hours by weekday, closed days, public holidays, people who are away.

Nothing is closed in a shop that has not said its hours. Public holidays come from the `holidays`
library, by the shop's country and, where it has one, region.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import Final

import holidays
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import get_language, gettext
from holidays.registry import COUNTRIES

from shop import branches, wording
from shop.models import Absence, ClosedDays, OpenHours, Shop, StaffMember, WorkedHoliday
from shop.models.hours import UNSAID_CLOSES, UNSAID_OPENS

_SMALL: Final = {"And", "Of", "The"}


@cache
def countries() -> tuple[tuple[str, str], ...]:
    """The countries whose public holidays are known: two-letter code (ISO 3166-1) and name."""
    found = {code: _spaced(name) for name, code, *_ in COUNTRIES.values() if len(code) == 2}
    return tuple(sorted(found.items(), key=lambda one: one[1]))


def _spaced(name: str) -> str:
    words = re.findall(r"[A-Z]+(?![a-z])|[A-Z][a-z]*", name)
    return " ".join(word.lower() if word in _SMALL else word for word in words) or name


@cache
def regions(country: str) -> tuple[str, ...]:
    """The codes of the regions of a country that have holidays of their own."""
    return tuple(holidays.list_supported_countries().get(country, ()))


@cache
def _of_year(country: str, region: str, year: int, spoken: str) -> dict[date, str]:
    """By day, in the language spoken where the library knows it, else in the country's own."""
    known = holidays.list_localized_countries().get(country, [])
    own = getattr(holidays.country_holidays(country), "default_language", None)
    language = next((one for one in known if one[:2] == spoken), own)
    found = holidays.country_holidays(country, subdiv=region or None, years=year, language=language)
    return {day: str(name) for day, name in found.items() if day.year == year}


def holidays_of(shop: Shop, year: int) -> dict[date, str]:
    """The public holidays of a year where the shop is; none where it keeps none."""
    if not shop.country or not shop.keeps_holidays or shop.country not in dict(countries()):
        return {}
    region = shop.region if shop.region in regions(shop.country) else ""
    return _of_year(shop.country, region, year, (get_language() or "en")[:2])


@dataclass(frozen=True)
class DayHours:
    """One day of the shop's calendar. `closed` says why nobody is there, empty on a day open."""

    day: date
    opens_at: datetime
    closes_at: datetime
    closed: str = ""


class Calendar:
    """The hours of a branch over a stretch of days, read in at most three queries; those of the
    branch looked at where none is named."""

    def __init__(self, first: date, last: date, branch: int | None = None) -> None:
        self.shop = Shop.objects.current()
        there = branches.shown() if branch is None else Q(branch=branch)
        self.week = {row.weekday: row for row in OpenHours.objects.filter(there)}
        stretch = {"first_day__lte": last, "last_day__gte": first}
        self.closed = list(ClosedDays.objects.filter(there, **stretch)) if self.week else []
        self.worked = (
            set(
                WorkedHoliday.objects.filter(day__range=(first, last)).values_list("day", flat=True)
            )
            if self.week and self.shop.country
            else set()
        )

    @property
    def said(self) -> bool:
        """The shop has said when it is open."""
        return bool(self.week)

    def on(self, day: date) -> DayHours:
        """The hours of a day; of a closed one those it would have."""
        hours = self.week.get(day.weekday())
        opens, closes = (
            (hours.opens_at, hours.closes_at) if hours else (UNSAID_OPENS, UNSAID_CLOSES)
        )
        zone = timezone.get_current_timezone()
        return DayHours(
            day,
            datetime.combine(day, opens, zone),
            datetime.combine(day, closes, zone),
            self._closed(day),
        )

    def _closed(self, day: date) -> str:
        if not self.said:
            return ""
        for row in self.closed:
            if row.first_day <= day <= row.last_day:
                return str(row)
        holiday = holidays_of(self.shop, day.year).get(day)
        if holiday and day not in self.worked:
            return holiday
        return "" if day.weekday() in self.week else "Closed"

    def outside(self, at: datetime) -> str:
        """Why nobody is there at a moment, in words; nothing when somebody is."""
        if not self.said:
            return ""
        local = timezone.localtime(at)
        hours = self.on(local.date())
        if hours.closed:
            day = {"day": wording.long_day(local), "why": hours.closed}
            if hours.closed == "Closed":
                return gettext("the shop is closed on %(day)s") % day
            return gettext("the shop is closed on %(day)s (%(why)s)") % day
        if not hours.opens_at <= at <= hours.closes_at:
            return gettext("on %(day)s the shop is open %(opens)s–%(closes)s") % {
                "day": wording.long_day(local),
                "opens": wording.hour(hours.opens_at),
                "closes": wording.hour(hours.closes_at),
            }
        return ""


def calendar_of(moments: Iterable[datetime], branch: int | None) -> Calendar:
    """The calendar of a branch on the days of some moments."""
    days = [timezone.localtime(at).date() for at in moments]
    return Calendar(min(days), max(days), branch)


def absences_of(person: StaffMember, starts_at: datetime, ends_at: datetime) -> list[Absence]:
    """When somebody is away during a slot."""
    first = timezone.localtime(starts_at).date()
    last = timezone.localtime(ends_at - timedelta(seconds=1)).date()
    return list(person.absences.filter(first_day__lte=last, last_day__gte=first))
