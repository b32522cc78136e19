"""Job numbers by series: each branch counts its own jobs, and no two jobs share a number.

A series is named by one or two letters and has a stretch of whole numbers of its own, worked out
from the letters alone: a number says its letters and its place without asking the database, and a
job keeps them wherever it goes. J, the series of every shop with one branch, begins at 0.
"""

import re
from collections.abc import Iterable
from typing import Final

from shop.typed import whole

FIRST: Final = "J"
LENGTH: Final = 3_000_000
"""Numbers of a series: 702 of them still fit into the database's whole numbers of four bytes."""

_LETTERS: Final = re.compile(r"[A-Z]{1,2}\Z", re.ASCII)
_WRITTEN: Final = re.compile(r"([A-Z]{0,2})[-# ]*([0-9]{1,9})\Z", re.ASCII)
_LARGEST: Final = 999_999_999


def is_series(letters: str) -> bool:
    """One or two capitals from A to Z."""
    return bool(_LETTERS.match(letters))


def begins_at(letters: str) -> int:
    """The number before the first of a series. Raises ValueError for what names none."""
    if not is_series(letters):
        raise ValueError("A series has one or two letters, A to Z.")
    if letters == FIRST:
        return 0
    place = 0
    for letter in letters:
        place = 26 * place + ord(letter) - ord("A") + 1
    return LENGTH * place


def _letters_at(place: int) -> str:
    letters = ""
    while place:
        place, over = divmod(place - 1, 26)
        letters = chr(ord("A") + over) + letters
    return letters or FIRST


def code_of(number: int) -> str:
    """How a job's number is written: "J1042"."""
    place, within = divmod(number, LENGTH)
    return f"{_letters_at(place)}{within}"


def numbers_meant(text: str, letters: Iterable[str] = (FIRST,)) -> list[int]:
    """The numbers somebody may mean by N1042, or by 1042 and #1042 in any of some series."""
    found = _WRITTEN.match(text.strip().upper())
    within = whole(found[2], high=_LARGEST) if found else None
    if found is None or within is None:
        return []
    if found[1]:
        letters = [found[1]]
    elif within >= LENGTH:
        return [within]
    return [begins_at(one) + within for one in letters] if within < LENGTH else []
