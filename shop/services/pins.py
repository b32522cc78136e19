"""PINs for shared tablets: set, checked, and limited in attempts.

A PIN is short, so it is worth nothing away from a registered tablet, and each person has few
attempts on each tablet: after five wrong ones there is a wait, twice as long each time.
"""

from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Final

from django.contrib.auth.hashers import check_password, make_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from shop.models import PinAttempts, StaffMember, Tablet
from shop.services import events
from shop.wording import hour

SHORTEST: Final = 4
LONGEST: Final = 8
TRIES: Final = 5
WAIT: Final = timedelta(minutes=5)
LONGEST_WAIT: Final = timedelta(hours=1)


class PinRefused(Exception):
    """Not signed in; the message says why and what to do. `wait_until` is set during a wait;
    `counted` when a PIN was looked at, and wrong."""

    def __init__(
        self, message: str, wait_until: datetime | None = None, *, counted: bool = False
    ) -> None:
        super().__init__(message)
        self.said = message
        self.wait_until = wait_until
        self.counted = counted


_ORDERS: Final = {4: ("dm", "md"), 6: ("dmy", "mdy", "ymd"), 8: ("dmY", "mdY", "Ymd")}
"""How a day is written, by the number of digits."""
_LEAP_YEAR: Final = "2000"
_YEARS: Final = range(1900, 2100)
_COLUMNS: Final = frozenset({"2580", "0852", "1590", "0951", "3570", "0753"})
"""Straight lines on the pad."""


def _is_date(pin: str) -> bool:
    """A year, or a day of one in any order of its parts."""
    if len(pin) == len(_LEAP_YEAR) and int(pin) in _YEARS:
        return True
    return any(_is_day(pin, order) for order in _ORDERS.get(len(pin), ()))


def _is_day(pin: str, order: str) -> bool:
    parts, place = {"Y": _LEAP_YEAR}, 0
    for letter in order:
        width = len(_LEAP_YEAR) if letter == "Y" else 2
        parts[letter] = pin[place : place + width]
        place += width
    try:
        day = date(int(parts["Y"]), int(parts["m"]), int(parts["d"]))
    except ValueError:
        return False
    return day.year in _YEARS


def _is_pattern(pin: str) -> bool:
    """A plain run, a part over again, its own mirror image, pairs, two digits alone, a line on the
    pad."""
    steps = {int(b) - int(a) for a, b in pairwise(pin)}
    parts = range(1, len(pin) // 2 + 1)
    over_again = any(pin == pin[:part] * (len(pin) // part) for part in parts)
    pairs = len(pin) % 2 == 0 and pin[::2] == pin[1::2]
    two_digits = len(pin) > SHORTEST and len(set(pin)) <= 2
    plain = len(steps) == 1 or over_again or pairs or two_digits or pin == pin[::-1]
    return plain or pin in _COLUMNS


def validate_pin(pin: str) -> None:
    """Refuse a PIN of the wrong length, of other than digits, or one that is tried first.

    Refused is about a tenth of those of four digits: P. Markert and others, "This PIN Can Be Easily
    Guessed", IEEE Symposium on Security and Privacy 2020, found that fewer help little and more
    annoy. Dates, patterns and years are what people in their study had chosen.
    """
    if not looks_like_one(pin):
        raise ValidationError(
            gettext("A PIN is %(shortest)s to %(longest)s digits, nothing else.")
            % {"shortest": SHORTEST, "longest": LONGEST}
        )
    if _is_pattern(pin):
        raise ValidationError(
            gettext("Too easy to guess: no digits over again, no plain run, no line on the pad.")
        )
    if _is_date(pin):
        raise ValidationError(
            gettext("Too easy to guess: dates and years are tried first. Take other digits.")
        )


def looks_like_one(text: str) -> bool:
    """Whether a text may be a PIN: digits alone, as many as one has."""
    return text.isascii() and text.isdigit() and SHORTEST <= len(text) <= LONGEST


@transaction.atomic
def set_pin(person: StaffMember, pin: str, by: StaffMember) -> None:
    """Give a person a new PIN, or none when it is empty; waits are over. Raises ValidationError."""
    give_pin(person, pin)
    after = {"pin": events.SET if pin else events.TAKEN_AWAY}
    events.log(by, "staffmember.changed", person, after=after)


def give_pin(person: StaffMember, pin: str) -> None:
    """The same, inside a change that is logged as a whole."""
    if pin:
        validate_pin(pin)
    person.pin = make_password(pin) if pin else ""
    person.save(update_fields=["pin"])
    PinAttempts.objects.filter(person=person).delete()


def _wait_words(person: StaffMember, until: datetime) -> str:
    return (
        f"Too many wrong PINs for {person} on this tablet. Try again at {hour(until)}, "
        "or sign in with your password."
    )


@transaction.atomic
def _count_attempt(tablet: Tablet, person: StaffMember) -> int:
    """Count one attempt before it is looked at, so that none made side by side goes uncounted.

    Returns how many are left after it. Raises PinRefused during a wait.
    """
    PinAttempts.objects.get_or_create(tablet=tablet, person=person)
    row = PinAttempts.objects.select_for_update().get(tablet=tablet, person=person)
    now = timezone.now()
    if row.wait_until is not None and row.wait_until > now:
        raise PinRefused(_wait_words(person, row.wait_until), row.wait_until)
    row.wrong += 1
    row.wait_until = None
    if row.wrong >= TRIES:
        row.wait_until = now + min(WAIT * 2**row.rounds, LONGEST_WAIT)
        row.wrong, row.rounds = 0, min(row.rounds + 1, 10)
    row.save()
    return 0 if row.wait_until else TRIES - row.wrong


def person_by_pin(tablet: Tablet, person: StaffMember, pin: str) -> StaffMember:
    """The person, when the PIN is right and both person and tablet may sign in.

    Raises PinRefused otherwise, saying how many tries are left or when to try again.
    """
    if tablet.revoked_at is not None:
        raise PinRefused("This tablet is no longer registered: sign in with your password.")
    if not person.is_active or not person.pin:
        raise PinRefused(f"{person} has no PIN yet: sign in with your password and set one.")
    left = _count_attempt(tablet, person)
    if check_password(pin, person.pin):
        PinAttempts.objects.filter(tablet=tablet, person=person).delete()
        return person
    if left:
        tries = "1 try" if left == 1 else f"{left} tries"
        raise PinRefused(f"Wrong PIN. {tries} left.", counted=True)
    row = PinAttempts.objects.get(tablet=tablet, person=person)
    assert row.wait_until is not None
    raise PinRefused(_wait_words(person, row.wait_until), row.wait_until, counted=True)
