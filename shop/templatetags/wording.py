"""The words of `shop.wording` in templates."""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django import template
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import get_language

from shop import kept_words, series, wording
from shop.languages import ENGLISH

register = template.Library()

register.filter("current", wording.current)
register.filter("dated", wording.dated)
register.filter("duration", wording.duration)
register.filter("hertz", wording.hertz)
register.filter("hour", wording.hour)
register.filter("long_day", wording.long_day)
register.filter("moment", wording.moment)
register.filter("percent", wording.percent)
register.filter("signed", wording.signed)
register.filter("stamp", wording.stamp)
register.filter("unit", wording.with_unit)
register.filter("told", kept_words.told)
register.filter("inner", wording.inner)
register.filter("job_code", series.code_of)


@register.simple_tag
def language_code() -> str:
    """The language in which the page is written, as HTML names it: "en", "de"."""
    return (get_language() or ENGLISH)[:2]


@register.simple_tag
def today() -> str:
    """The day in the shop's zone as a heading."""
    return wording.long_day(timezone.localtime())


@register.filter
def number(value: Any, figures: int = 3) -> str:
    """A figure with up to so many significant digits."""
    return wording.number(None if value in (None, "") else float(value), figures=figures)


@register.filter
def fixed(value: Any, decimals: int = 0) -> str:
    """A figure with so many decimals."""
    return wording.number(None if value in (None, "") else float(value), decimals)


@register.filter
def upto(value: Any, decimals: int = 2) -> str:
    """A figure with at most so many decimals."""
    number = None if value in (None, "") else float(value)
    return wording.number(number, decimals, trim=True)


@register.filter
def day(at: date | datetime | str | None) -> str:
    """A day, also of a moment that a document keeps as text; other text stands as it is."""
    if not isinstance(at, str):
        return wording.day(at)
    try:
        return wording.day(parse_datetime(at)) or at
    except ValueError:
        return at


@register.filter
def listed(names: Iterable[object], last: str = "and") -> str:
    """ "a, b and c"."""
    return wording.listed(names, last=last)


@register.filter
def ago(at: datetime) -> str:
    """How long something has stood: "3 h"."""
    return wording.about(timezone.now() - at)


@register.filter
def minutes(count: float) -> str:
    """A length of time given in minutes."""
    return wording.duration(timedelta(minutes=round(count)))
