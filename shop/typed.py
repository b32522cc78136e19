"""The one door for what arrives as text in an address, a form or a file: read once, by type.

Each reader gives a value that the database and the sums can hold, or None for anything else; no
view reads `int(request.POST[...])` itself. `shop.middleware.PlainRequestMiddleware` takes NUL out
of every text before a view sees it.
"""

import json
import re
from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext

LARGEST: Final = 2**63 - 1
"""The largest whole number that a database keeps."""

FIRST_DAY: Final = date(1990, 1, 1)
LAST_DAY: Final = date(2099, 12, 31)
"""Days of a shop's life: any other is a slip of the hand, and the calendar ends near year 9999."""

NUL: Final = "\x00"
_TOKEN: Final = re.compile(r"[\w-]{1,48}\Z", re.ASCII)


def whole(text: str | None, low: int = 0, high: int = LARGEST) -> int | None:
    """A whole number of plain digits from `low` to `high`, or None for anything else."""
    text = (text or "").strip()
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(LARGEST))):
        return None
    number = int(text)
    return number if low <= number <= high else None


def fraction(text: str | None) -> float | None:
    """A number from 0 to 1 with a decimal point, or None for anything else."""
    try:
        found = float(text or "")
    except ValueError:
        return None
    return found if 0 <= found <= 1 else None


def row_key(text: str | None) -> int | None:
    """The key of a row, or None for what is no key."""
    return whole(text, 1)


def row_keys(texts: Iterable[str]) -> list[int]:
    """Those of some texts that are keys, in order."""
    return [key for text in texts if (key := row_key(text)) is not None]


def row_named(subject: str) -> tuple[str, int]:
    """The kind of row that an event's subject ("channel:12") names, and its key; 0 for none."""
    kind, _, key = subject.partition(":")
    return kind, row_key(key) or 0


def row_version(text: str | None) -> int:
    """The version of a row that a save was made on; 0, older than any, for what is none."""
    return whole(text) or 0


def one_of(text: str | None, known: Iterable[str]) -> str:
    """One of the known words, or nothing for any other."""
    return text if text and text in known else ""


def token(text: str | None) -> str:
    """The key that a client made for what it sends, or nothing for what is none."""
    return text if text and _TOKEN.match(text) else ""


def line(text: str | None) -> str:
    """Text without the ends' blanks and without NUL, which no database keeps."""
    return plain(text or "").strip()


def plain(text: str) -> str:
    """Text without NUL."""
    return text.replace(NUL, "")


def day(text: str | None) -> date | None:
    """A day of the shop's life written as 2026-05-31, or None for anything else."""
    try:
        given = date.fromisoformat((text or "").strip())
    except ValueError:
        return None
    return given if FIRST_DAY <= given <= LAST_DAY else None


def moment(day_text: str | None, time_text: str | None) -> datetime | None:
    """A day and a time of the shop's own clock, or None when either is nothing of the kind."""
    given = day(day_text)
    try:
        at = time.fromisoformat((time_text or "").strip())
    except ValueError:
        return None
    if given is None or at.tzinfo is not None:
        return None
    return timezone.make_aware(datetime.combine(given, at))


def as_typed(at: datetime) -> str:
    """A moment of the shop's own clock as addresses and forms write it: 2026-05-31T10:15."""
    return timezone.localtime(at).replace(tzinfo=None).isoformat(timespec="minutes")


def instant(text: str | None) -> datetime | None:
    """A moment with its zone, as 2026-05-31T10:00:00+02:00, or None for anything else."""
    try:
        given = datetime.fromisoformat((text or "").strip())
    except ValueError:
        return None
    if given.tzinfo is None or not FIRST_DAY <= given.date() <= LAST_DAY:
        return None
    return given


def own_path(text: str | None) -> str:
    """An address of our own to go back to, or nothing for any other."""
    path = text or ""
    mine = path.startswith("/") and url_has_allowed_host_and_scheme(path, allowed_hosts=None)
    return path if mine else ""


def json_value(text: str) -> Any:
    """What a JSON text holds. Raises ValueError for anything that cannot be read."""
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("nested too deep") from None


def sane_day(given: date) -> None:
    """Refuse a day outside the shop's life. Raises ValidationError."""
    if not FIRST_DAY <= given <= LAST_DAY:
        raise ValidationError(
            gettext("Give a day from %(year)s to %(year_2)s.")
            % {"year": FIRST_DAY.year, "year_2": LAST_DAY.year},
            code="day_out_of_reach",
        )
