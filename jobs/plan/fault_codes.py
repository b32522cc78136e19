"""Fault codes as they are written down: a line each, or one word that none is stored."""

import re
from typing import Final, NamedTuple

from jobs import wording

MOST_CODES: Final = 60
MOST_OF_A_LINE: Final = 160
MOST_SAID: Final = 4
_NONE: Final = frozenset({"none", "no codes", "no code", "nothing stored", "0"})
_CODE: Final = re.compile(r"\b[PBCU][0-9A-F]{4}(?:[0-9A-F]{2}|-[0-9A-F]{2})?\b", re.IGNORECASE)
"""A trouble code: a letter and four characters, with a failure type of two more where it has one
(SAE J2012:2016, from memory). What a maker calls otherwise is known by the start of its line."""


class FaultCode(NamedTuple):
    """A code as it was written, and what it is compared by: the code, and its module if said."""

    line: str
    key: tuple[str, str]


def lines_of(text: str) -> list[str]:
    """The lines that say something."""
    return [" ".join(line.split()) for line in text.splitlines() if line.strip()]


def says_none(text: str) -> bool:
    """Somebody looked and no code is stored."""
    lines = lines_of(text)
    return len(lines) == 1 and lines[0].lower().rstrip(".") in _NONE


def codes_of(text: str) -> list[FaultCode]:
    """The codes of a text; none where it says so, or says nothing."""
    return [] if says_none(text) else [FaultCode(line, _key(line)) for line in lines_of(text)]


def _key(line: str) -> tuple[str, str]:
    first, mark, _ = line.partition(";")
    found = _CODE.search(line)
    if found is None:
        return first.strip().lower(), ""
    module = first if mark and found.start() > len(first) else ""
    return found[0].upper().replace("-", ""), module.strip().lower()


def new_codes(before: str, after: str) -> list[str]:
    """Lines of codes after the work that were not there before it.

    Empty while either was not read. A code whose module one of them does not name counts as the
    same.
    """
    if not lines_of(before) or not lines_of(after):
        return []
    stood = {one.key for one in codes_of(before)}
    codes = {code for code, _ in stood}

    def is_known(one: FaultCode) -> bool:
        code, module = one.key
        if one.key in stood or (code, "") in stood:
            return True
        return not module and code in codes

    return [one.line for one in codes_of(after) if not is_known(one)]


def codes_said(lines: list[str]) -> str:
    """The first of these lines, and how many more."""
    said = wording.listed(lines, MOST_SAID)
    return said.rstrip(".")
