"""How wide the columns of a paper's tables are, told by their words before anything is laid out.

A renderer left to find the widths by itself lays out every cell three times, which takes an eighth
of the time of a sheet, and counts how long words and lines are, not how high rows become. Here a
column is wide enough for its longest word, then for its cells in three lines, in two and in one,
as far as the page goes; a head is broken before what stands below it.
"""

import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Final, NamedTuple
from xml.etree.ElementTree import Element, SubElement

from fontTools.ttLib import TTFont

from jobs.renderer import FONTS

LINE_EM: Final = 59.0
"""A line of the narrower page, in the letters that tables are written in."""

PADDING_EM: Final = 0.5
NUMBER_EM: Final = 0.7
RULE_EM: Final = 0.6
SWATCH_EM: Final = 1.6
UNKNOWN_EM: Final = 1.0
SPARE: Final = 1.01
"""Kerning and rounding."""

MOST_SPLIT: Final = 60
"""Pieces of a line; one of more is as wide as it will be."""

TOGETHER: Final = "together"
"""The class of what stays on one line."""

_BOLD: Final = {"th", "b"}
_NEW_LINE: Final = {"br", "p", "li", "ul"}
_OWN_LINE: Final = {"fed", "heard-place"}
_SPACES: Final = re.compile(r"[ \n\t]+")
_PIECES: Final = re.compile(r" ?[^ /-]*[/-]+(?=[^ \d/-])| ?[^ ]+| ")
"""A line may end before a space, and after a hyphen or stroke between letters."""


@cache
def _advances(name: str) -> dict[str, float]:
    """How wide each letter of a font is [em]."""
    font = TTFont(FONTS / f"OpenSans-{name}.ttf", lazy=True)
    em, widths = font["head"].unitsPerEm, font["hmtx"].metrics
    return {chr(at): widths[glyph][0] / em for at, glyph in font.getBestCmap().items()}


def width_em(text: str, *, bold: bool = False) -> float:
    """How wide a text is on one line [em]."""
    known = _advances("Bold" if bold else "Regular")
    return SPARE * sum([known.get(letter, UNKNOWN_EM) for letter in text])


class Piece(NamedTuple):
    """A word or part of one: how wide it is [em], and the space before it."""

    width: float
    space: float


def _classes(element: Element) -> list[str]:
    return element.get("class", "").split()


def _texts(element: Element, bold: bool, together: bool) -> Iterator[tuple[str, bool, bool]]:
    """What a cell says in order: text, whether it is bold and stays together; a new line as ""."""
    bold = bold or element.tag in _BOLD
    together = together or TOGETHER in _classes(element)
    if element.text:
        yield element.text, bold, together
    for child in element:
        ends = child.tag in _NEW_LINE or not _OWN_LINE.isdisjoint(_classes(child))
        if ends:
            yield "", bold, together
        if child.tag.endswith("svg"):
            yield "\f", bold, together
        else:
            yield from _texts(child, bold, together)
        if ends:
            yield "", bold, together
        if child.tail:
            yield child.tail, bold, together


def _lines(cell: Element) -> list[list[Piece]]:
    """The lines of a cell that no width would join, each in the pieces that may be parted."""
    lines: list[list[Piece]] = [[]]
    space = joined = 0.0
    parted = True
    for text, bold, together in _texts(cell, False, False):
        if not text:
            lines, space, parted = [*lines, []], 0.0, True
            continue
        for found in _PIECES.findall(_SPACES.sub(" ", text)):
            if found[0] == " ":
                space, parted = width_em(" ", bold=bold), not together
            if not (word := found.lstrip(" ")):
                continue
            width = SWATCH_EM if word == "\f" else width_em(word, bold=bold)
            line = lines[-1]
            if parted or not line:
                line.append(Piece(width, space if line else 0.0))
            else:
                joined = line[-1].width + space + width
                line[-1] = Piece(joined, line[-1].space)
            space, parted = 0.0, word[-1] in "/-" and not together
    return [line for line in lines if line]


def _length(line: Sequence[Piece]) -> float:
    return sum([one.width + one.space for one in line]) - (line[0].space if line else 0.0)


def _split(line: Sequence[Piece], parts: int) -> float:
    """How wide [em] a line has to be to fit when it is broken into so many."""
    if parts == 1 or len(line) == 1:
        return _length(line)
    if len(line) > MOST_SPLIT:
        return _length(line) / parts
    best, head = _length(line), 0.0
    for at, piece in enumerate(line[:-1], 1):
        head += piece.width + (piece.space if at > 1 else 0.0)
        if head >= best:
            break
        best = min(best, max(head, _split(line[at:], parts - 1)))
    return best


class Widths(NamedTuple):
    """How wide a column is [em] for its longest word, for its cells in three lines, in two, in one,
    and with its head in one as well."""

    word: float = 0.0
    three: float = 0.0
    two: float = 0.0
    one: float = 0.0
    head: float = 0.0

    def and_also(self, other: "Widths") -> "Widths":
        return Widths(*map(max, self, other))


def widths_of(cell: Element, *, is_head: bool = False) -> Widths:
    """How wide [em] a cell wants to be."""
    lines = _lines(cell)
    if not lines:
        return Widths()
    pad = NUMBER_EM if "number" in _classes(cell) else PADDING_EM
    pad += RULE_EM if "left" in _classes(cell) else 0.0
    longest = max(lines, key=_length)
    word = pad + max(piece.width for line in lines for piece in line)
    rest = max((_length(line) for line in lines if line is not longest), default=0.0)
    three, two, one = (
        pad + max(rest, _split(longest, max(1, parts - len(lines) + 1))) for parts in (3, 2, 1)
    )
    return Widths(word, max(word, three), max(word, two), two if is_head else one, one)


def shares(columns: Sequence[Widths]) -> list[float]:
    """What part of a line each column takes."""
    sums = [sum(widths) for widths in zip(*columns, strict=True)]
    if sums[0] >= LINE_EM:
        return [one.word / sums[0] for one in columns]
    for low, high in zip(range(4), range(1, 5), strict=True):
        if sums[high] > LINE_EM:
            part = (LINE_EM - sums[low]) / (sums[high] - sums[low])
            return [(one[low] + (one[high] - one[low]) * part) / LINE_EM for one in columns]
    return [one.head / sums[4] for one in columns]


def set_columns(table: Element) -> None:
    """Give the columns of a table their widths."""
    columns: list[Widths] = []
    for part in table:
        for row in part.iter("tr"):
            at = 0
            for cell in row:
                span = int(cell.get("colspan", "1"))
                columns += [Widths()] * (at + span - len(columns))
                if span == 1:
                    columns[at] = columns[at].and_also(widths_of(cell, is_head=part.tag == "thead"))
                at += span
    group = Element("colgroup")
    for share in shares(columns):
        SubElement(group, "col", style=f"width:{100 * share:.2f}%")
    table.insert(0, group)
    table.set("class", " ".join([*_classes(table), "told"]))
