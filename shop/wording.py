"""How people read numbers, lengths of time, moments and lists: one way each, on screen and paper.

Digits stand in groups of three, with a space and neither comma nor point; four stand together
(BIPM, The International System of Units, 9th edition, 2019, 5.4.4).
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta, tzinfo
from typing import Final

from django.utils import timezone
from django.utils.formats import date_format

NOTHING: Final = "–"
TIGHT: Final = "\u00a0"
"""The space inside a number and before its unit, at which no line breaks."""

MINUS: Final = "−"
GROUPED_FROM: Final = 5

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
    return f"{sign}{grouped(head)}{point}{tail}"


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
    return f"+{text}" if text.strip("0.") and text[0].isdigit() else text


def with_unit(text: str, unit: str) -> str:
    """A number that is already said, with its unit; a dash stays a dash."""
    return text if text == NOTHING or not unit else f"{text}{TIGHT}{unit}"


def quantity(
    value: float | None, unit: str, decimals: int | None = None, *, figures: int = 4
) -> str:
    """A number with its unit, or a dash."""
    return with_unit(number(value, decimals, figures=figures), unit)


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


def listed(names: Iterable[object], most: int | None = None, last: str = "and") -> str:
    """ "a", "a and b", "a, b and c"; with `most` "a, b, c and 2 more"."""
    words = [str(name) for name in names]
    if most is not None and len(words) > most:
        words = [*words[:most], f"{len(words) - most} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def labelled(label: str, value: str) -> str:
    """A value after its label, unless its own name begins with it: "Bay 1", "technician Ada"."""
    begins = value.casefold().startswith(f"{label.casefold()} ")
    return value if begins else f"{label} {value}"


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
    return plural(length.days, "day")


def hour(at: datetime) -> str:
    """The time of day in the shop's zone: "14:05"."""
    return date_format(_local(at), "H:i")


def day(at: date | datetime | None, zone: tzinfo | None = None) -> str:
    """A day: "25 Nov 2026"; in the shop's zone unless another is given."""
    return "" if at is None else date_format(_local(at, zone), "j M Y")


def long_day(at: date | datetime) -> str:
    """A day as a heading: "Wednesday 25 November"."""
    return date_format(_local(at), "l j F")


def stamp(at: datetime | None, zone: tzinfo | None = None) -> str:
    """A moment of the record, with its year: "25 Nov 2026, 14:05"."""
    return "" if at is None else date_format(_local(at, zone), "j M Y, H:i")


def dated(at: datetime | None) -> str:
    """A moment near now, by its weekday: "Wed 25 Nov, 14:05"; with the year if that is another."""
    if at is None:
        return ""
    local = _local(at)
    same = local.year == timezone.localdate().year
    return date_format(local, "D j M, H:i" if same else "D j M Y, H:i")


def moment(at: datetime | None) -> str:
    """A moment as people say it today: "today 16:00", else as `dated`."""
    if at is None:
        return ""
    days = (timezone.localtime(at).date() - timezone.localdate()).days
    names = {-1: "yesterday", 0: "today", 1: "tomorrow"}
    return f"{names[days]} {hour(at)}" if days in names else dated(at)


def _local(at: date, zone: tzinfo | None = None) -> date:
    if isinstance(at, datetime) and timezone.is_aware(at):
        return timezone.localtime(at, zone)
    return at
