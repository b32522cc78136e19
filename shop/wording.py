"""How people read numbers, lengths of time, moments and lists: one way each, on screen and paper.

Each language has its own way, that of the language which is active. Digits stand in groups of
three, with a space and neither comma nor point; four stand together; what parts the decimals is a
point or a comma, as the language has it (BIPM, The International System of Units, 9th edition,
2019, 5.4.4). Days are written as in the Unicode Common Locale Data Repository, release 45, 2024,
formats "medium" and "EEEdMMM" of `es` and "medium" and "EEEd.M." of `de` (from memory).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Final

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import get_language, gettext, ngettext

NOTHING: Final = "–"
TIGHT: Final = "\u00a0"
"""The space inside a number and before its unit, at which no line breaks."""

MINUS: Final = "−"
GROUPED_FROM: Final = 5


@dataclass(frozen=True)
class Style:
    """How a language writes numbers and days."""

    point: str
    day: str
    long_day: str
    near: str
    far: str
    """A day by its weekday, in this year and in another."""


STYLES: Final = {
    "en": Style(".", "j M Y", "l j F", "D j M", "D j M Y"),
    "es": Style(",", "j b Y", r"l, j \d\e F", "D, j b", "D, j b Y"),
    "de": Style(",", "d.m.Y", "l, j. F", "D., j.n.", "D., j.n.Y"),
}


def style() -> Style:
    """That of the language in which things are written now."""
    return STYLES[(get_language() or "en")[:2]]


FACTORY_AMPLIFIER_DOES: Final = "crossovers, EQ, chimes or prompts"


def number(
    value: float | None, decimals: int | None = None, *, figures: int = 4, trim: bool = False
) -> str:
    """A number with a true minus, or a dash.

    Without `decimals` up to so many significant `figures`, never an exponent. `trim` leaves out
    decimals that are nought.
    """
    if value is None:
        return NOTHING
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.{figures}g}"
    if "e" in text:
        text = f"{value:.0f}" if abs(value) >= 1 else f"{value:.12f}".rstrip("0")
    if trim and "." in text:
        text = text.rstrip("0").rstrip(".")
    sign, digits = (MINUS, text[1:]) if text.startswith("-") else ("", text)
    if not digits.strip("0."):
        sign = ""
    head, point, tail = digits.partition(".")
    return f"{sign}{grouped(head)}{style().point if point else ''}{tail}"


_OF_A_NUMBER: Final = re.compile(r"(?<![\w.])\d[\d\u00a0]*\.\d+(?![\w.]*\.\d)(?!\w)")


def figures_said(text: str) -> str:
    """Text that was kept in English, its numbers as the active language writes them.

    "A1.3" is a name and "1.2.3" a version: neither is a number.
    """
    point = style().point
    return text if point == "." else _OF_A_NUMBER.sub(lambda one: one[0].replace(".", point), text)


def grouped(digits: str) -> str:
    """The digits of a whole number in groups of three: "48 000"."""
    if len(digits) < GROUPED_FROM or not digits.isdigit():
        return digits
    first = len(digits) % 3
    groups = [digits[:first]] if first else []
    groups += [digits[at : at + 3] for at in range(first, len(digits), 3)]
    return TIGHT.join(groups)


def exact(value: float, least: int, most: int) -> str:
    """A number that somebody set: with `least` decimals, or as many up to `most` as it has."""
    wanted = round(value, most)
    return number(
        value, next(count for count in range(least, most + 1) if round(value, count) == wanted)
    )


def signed(value: float | None, decimals: int = 1) -> str:
    """ "+1.5", "−0.3", "0.0": a difference."""
    return with_plus(number(value, decimals))


def with_plus(text: str) -> str:
    """A number that is already said, with a plus where it is above nought."""
    return f"+{text}" if text.strip("0.,") and text[0].isdigit() else text


def with_unit(text: str, unit: str) -> str:
    """A number that is already said, with its unit; a dash stays a dash."""
    return text if text == NOTHING or not unit else f"{text}{TIGHT}{unit}"


def quantity(
    value: float | None, unit: str, decimals: int | None = None, *, figures: int = 4
) -> str:
    """A number with its unit, or a dash."""
    return with_unit(number(value, decimals, figures=figures), unit)


def current(value: float | None) -> str:
    """A current as it is told of a run or a device: a small one to the hundredth, so that what
    each of two says of the same current is not rounded apart: "38.6 A", "0.15 A"."""
    small = value is not None and 0.005 <= abs(value) < 1
    return quantity(value, "A", 2 if small else 1)


def hertz(value: float | None) -> str:
    """A frequency, in Hz at any height: "63 Hz", "3150 Hz", "12 500 Hz"."""
    return quantity(value, "Hz")


def size(text: str) -> str:
    """The size of a conductor: "25 mm²", "4 AWG"."""
    return text.replace("mm2", "mm²")


def percent(fraction: float) -> str:
    """ "80 %"."""
    return quantity(100 * fraction, "%", 0)


def megabytes(size_bytes: float) -> str:
    """ "12 MB"."""
    return quantity(size_bytes / 1024 / 1024, "MB", 0)


def plural(count: int, one: str, many: str = "") -> str:
    """ "1 stop", "3 stops"."""
    return f"{number(count, 0)} {one if count == 1 else many or one + 's'}"


def capital(text: str) -> str:
    """The first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]


def inner(text: str) -> str:
    """A word as it stands inside a sentence; German keeps the capitals of its nouns."""
    return text if style() is STYLES["de"] else text.lower()


def listed(names: Iterable[object], most: int | None = None, last: str = "and") -> str:
    """ "a", "a and b", "a, b and c"; with `most` "a, b, c and 2 more"."""
    words = [str(name) for name in names]
    if most is not None and len(words) > most:
        more = len(words) - most
        said = ngettext("%(count)d more", "%(count)d more", more) % {"count": more}
        words = [*words[:most], said]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {_joining(last, words[-1])} {words[-1]}"


_BEFORE_I: Final = re.compile(r"h?[ií](?![aeiouáéíóú])", re.IGNORECASE)
_BEFORE_O: Final = re.compile(r"h?[oó8]", re.IGNORECASE)


def _joining(last: str, word: str) -> str:
    """ "and" or "or" before the last word of a list; in Spanish "e" stands before the sound of i
    and "u" before that of o (Real Academia Española, Ortografía, 2010; from memory)."""
    joining = {"and": gettext("and"), "or": gettext("or")}.get(last, last)
    if joining == "y" and _BEFORE_I.match(word):
        return "e"
    return "u" if joining == "o" and _BEFORE_O.match(word) else joining


def labelled(label: str, value: str) -> str:
    """A value after its label, unless its own name begins with it: "Bay 1", "technician Ada"."""
    begins = value.casefold().startswith(f"{label.casefold()} ")
    return value if begins else f"{label} {value}"


def page_words() -> tuple[str, str]:
    """What stands before the number of a page and before that of all: "Page ", " of "."""
    said = gettext("Page %(page)s of %(pages)s") % {"page": "\n", "pages": "\n"}
    before, between, _ = said.split("\n")
    return before, between


def duration(length: timedelta) -> str:
    """A length of time that was measured, in hours and whole minutes: "7 h 05 min", "12 min"."""
    minutes = max(int(length.total_seconds()), 0) // 60
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest}{TIGHT}min"
    return f"{number(hours)}{TIGHT}h {rest:02d}{TIGHT}min"


def about(length: timedelta) -> str:
    """A wait or a lateness in the largest unit that fits: "20 min", "3 h", "2 days"."""
    if length < timedelta(hours=1):
        return f"{max(int(length.total_seconds() // 60), 1)}{TIGHT}min"
    if length < timedelta(days=1):
        return f"{int(length.total_seconds() // 3600)}{TIGHT}h"
    days = length.days
    return ngettext("%(count)s day", "%(count)s days", days) % {"count": number(days, 0)}


def hour(at: datetime, zone: tzinfo | None = None) -> str:
    """The time of day: "14:05"; in the shop's zone unless another is given."""
    return date_format(_local(at, zone), "H:i")


def day(at: date | datetime | None, zone: tzinfo | None = None) -> str:
    """A day: "25 Nov 2026"; in the shop's zone unless another is given."""
    return "" if at is None else date_format(_local(at, zone), style().day)


def long_day(at: date | datetime) -> str:
    """A day as a heading: "Wednesday 25 November"."""
    return date_format(_local(at), style().long_day)


def stamp(at: datetime | None, zone: tzinfo | None = None) -> str:
    """A moment of the record, with its year: "25 Nov 2026, 14:05"."""
    return "" if at is None else date_format(_local(at, zone), f"{style().day}, H:i")


def dated(at: datetime | None) -> str:
    """A moment near now, by its weekday: "Wed 25 Nov, 14:05"; with the year if that is another."""
    if at is None:
        return ""
    local = _local(at)
    same = local.year == timezone.localdate().year
    return date_format(local, f"{style().near if same else style().far}, H:i")


def moment(at: datetime | None) -> str:
    """A moment as people say it today: "today 16:00", else as `dated`."""
    if at is None:
        return ""
    days = (timezone.localtime(at).date() - timezone.localdate()).days
    if days not in {-1, 0, 1}:
        return dated(at)
    near = (gettext("today %(hour)s"), gettext("tomorrow %(hour)s"), gettext("yesterday %(hour)s"))
    return near[days] % {"hour": hour(at)}


def _local(at: date, zone: tzinfo | None = None) -> date:
    if isinstance(at, datetime) and timezone.is_aware(at):
        return timezone.localtime(at, zone)
    return at
