"""How wide words are in the fonts of our papers, so that a drawing knows its room before it is
drawn."""

import re
import unicodedata
from functools import cache
from typing import Final

from fontTools.ttLib import TTFont

from jobs.renderer import FONTS

LEADING: Final = 1.25
"""From one line to the next, in sizes of the letters."""

_WIDE: Final = 1.05
_OTHER: Final = 0.95
"""Room for a letter that our fonts have not, in sizes: of a wide script, and of any other."""


@cache
def _advances(bold: bool) -> dict[int, float]:
    with TTFont(FONTS / f"OpenSans-{'Bold' if bold else 'Regular'}.ttf") as font:
        widths, em = font["hmtx"], font["head"].unitsPerEm
        return {code: widths[name][0] / em for code, name in font.getBestCmap().items()}


@cache
def _letter(letter: str, bold: bool) -> float:
    known = _advances(bold).get(ord(letter))
    if known is not None:
        return known
    if unicodedata.combining(letter) or unicodedata.category(letter) == "Cf":
        return 0.0
    return _WIDE if unicodedata.east_asian_width(letter) in "WF" else _OTHER


def width_of(words: str, size: float, *, bold: bool = False) -> float:
    """How wide the words are [pt] in letters of this size [pt]."""
    return size * sum(_letter(one, bold) for one in words)


def wrapped(words: str, room: float, size: float, *, bold: bool = False) -> list[str]:
    """The words in lines no wider than `room` [pt]; a word that is wider is broken."""
    lines: list[str] = []
    line = ""
    for word in re.split(r"[ \n\t]+", words.strip()):
        longer = f"{line} {word}" if line else word
        if width_of(longer, size, bold=bold) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        line = ""
        for letter in word:
            if line and width_of(line + letter, size, bold=bold) > room:
                lines.append(line)
                line = ""
            line += letter
    return [*lines, line] if line else lines
