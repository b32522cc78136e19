"""How large the text of a label may be: it shrinks to fit and is never cut."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from PIL import ImageFont

from jobs.labels.content import Line

FONTS: Final = Path(__file__).parent.parent / "fonts"
LARGEST_PT: Final = 22.0
SMALLEST_PT: Final = 4.5
STEP_PT: Final = 0.25
LINE_HEIGHT: Final = 1.16
MM_OF_PT: Final = 25.4 / 72
SPARE: Final = 1.02
"""Measured widths are taken this much larger: the two text engines do not kern alike."""
_MEASURED_AT: Final = 256


class DoesNotFit(Exception):
    """The text does not fit even at the smallest size that can be read."""


@dataclass(frozen=True)
class Placed:
    """A line with its size in points and its top from that of the label's text, in mm."""

    text: str
    bold: bool
    size_pt: float
    y_mm: float


@cache
def _font(bold: bool) -> ImageFont.FreeTypeFont:
    path = FONTS / f"OpenSans-{'Bold' if bold else 'Regular'}.ttf"
    return ImageFont.truetype(str(path), _MEASURED_AT)


@cache
def width_mm(text: str, size_pt: float, bold: bool) -> float:
    """How wide a text is in that size."""
    return float(_font(bold).getlength(text)) / _MEASURED_AT * size_pt * MM_OF_PT * SPARE


def fit(lines: tuple[Line, ...], wide_mm: float, high_mm: float) -> list[Placed]:
    """The lines in the largest size that fits a box, in the middle of its height.

    Raises DoesNotFit.
    """
    size = LARGEST_PT
    while size >= SMALLEST_PT:
        if (placed := _set(lines, size, wide_mm, high_mm)) is not None:
            return placed
        size -= STEP_PT
    raise DoesNotFit


def _set(
    lines: tuple[Line, ...], size_pt: float, wide_mm: float, high_mm: float
) -> list[Placed] | None:
    set_lines: list[tuple[str, bool, float]] = []
    for line in lines:
        pieces = _pieces(line, size_pt * line.weight, wide_mm)
        if pieces is None:
            return None
        set_lines += [(text, line.bold, pt) for text, pt in pieces]
    heights = [pt * MM_OF_PT * LINE_HEIGHT for _, _, pt in set_lines]
    if sum(heights) > high_mm:
        return None
    y_mm = (high_mm - sum(heights)) / 2
    placed = []
    for (text, bold, pt), height_mm in zip(set_lines, heights, strict=True):
        placed.append(Placed(text, bold, pt, y_mm))
        y_mm += height_mm
    return placed


def _pieces(line: Line, size_pt: float, wide_mm: float) -> list[tuple[str, float]] | None:
    """A line as it stands, in a smaller size, or on two lines; None when it is too wide."""
    whole = width_mm(line.text, size_pt, line.bold)
    if whole <= wide_mm:
        return [(line.text, size_pt)]
    shrunk = size_pt * wide_mm / whole
    if shrunk >= max(SMALLEST_PT, size_pt * (0.8 if line.wraps else 0.6)):
        return [(line.text, shrunk)]
    words = line.text.split(" ")
    if not line.wraps:
        return None
    for at in sorted(range(1, len(words)), key=lambda at: abs(2 * at - len(words))):
        halves = [" ".join(words[:at]), " ".join(words[at:])]
        if all(width_mm(half, size_pt, line.bold) <= wide_mm for half in halves):
            return [(half, size_pt) for half in halves]
    return None
