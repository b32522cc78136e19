"""A page to draw on: lines, boxes and words as SVG, one unit a point.

It keeps the room that every word and box takes, so that a test can see that no word lies on
another or across an edge.
"""

from collections.abc import Sequence
from html import escape
from typing import Final, NamedTuple

from jobs.sheet.wiring.letters import LEADING, width_of
from wiring.colours import SWATCHES

SMALL: Final = 9.0
"""The smallest letters on the paper [pt]."""

NAME: Final = 12.0
INK: Final = "#1a1a18"
SOFT: Final = "#45433d"
_ASCENT: Final = 1.0
_DESCENT: Final = 0.25


class Words(NamedTuple):
    """Words and the room they take, from the left, from the top."""

    words: str
    left: float
    top: float
    right: float
    bottom: float


class Canvas:
    """One drawing of a given size [pt]."""

    def __init__(self, width: float, height: float) -> None:
        self.width = width
        self.height = height
        self.shapes: list[str] = []
        self.words: list[Words] = []
        self.boxes: list[tuple[float, float, float, float]] = []

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = SMALL,
        *,
        bold: bool = False,
        anchor: str = "start",
        colour: str = INK,
    ) -> None:
        """Words whose line stands at y, beginning, centred or ending at x."""
        if not words:
            return
        width = width_of(words, size, bold=bold)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
        self.words.append(Words(words, left, y - _ASCENT * size, left + width, y + _DESCENT * size))
        weight = ' font-weight="700"' if bold else ""
        self.shapes.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:g}"{weight} fill="{colour}" '
            f'text-anchor="{anchor}">{escape(words)}</text>'
        )

    def lines(
        self,
        x: float,
        top: float,
        lines: Sequence[str],
        size: float = SMALL,
        *,
        bold: bool = False,
        anchor: str = "start",
        colour: str = INK,
    ) -> float:
        """Lines of words below one another from `top`; gives where the next would begin."""
        for line in lines:
            self.text(x, top + size, line, size, bold=bold, anchor=anchor, colour=colour)
            top += LEADING * size
        return top

    def line(
        self, *points: tuple[float, float], width: float = 1.2, dash: str = "", colour: str = INK
    ) -> None:
        """A line through points."""
        path = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.shapes.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"'
            f"{dashed}/>"
        )

    def box(
        self,
        left: float,
        top: float,
        width: float,
        height: float,
        *,
        stroke: float = 1.2,
        fill: str = "#fff",
        corner: float = 3.0,
        dash: str = "",
    ) -> None:
        """A rectangle."""
        self.boxes.append((left, top, left + width, top + height))
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.shapes.append(
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{width:.2f}" height="{height:.2f}" '
            f'rx="{corner:g}" fill="{fill}" stroke="{INK}" stroke-width="{stroke:g}"{dashed}/>'
        )

    def dot(self, x: float, y: float) -> None:
        """A joint: here lines are connected."""
        self.shapes.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="2.8" fill="{INK}"/>')

    def wire(self, left: float, right: float, y: float, base: str, stripe: str) -> None:
        """A wire from left to right in its colour, its stripe as dashes along it."""
        colour = SWATCHES.get(base)
        if colour is None:
            self.line((left, y), (right, y), width=1.4)
            return
        self.line((left, y), (right, y), width=5.4)
        self.line((left, y), (right, y), width=4.0, colour=colour)
        second = SWATCHES.get("YE" if base == "GNYE" else stripe)
        if second is not None:
            self.line((left, y), (right, y), width=1.8, colour=second, dash="8 4")

    def fuse(self, x: float, y: float) -> None:
        """A fuse on a line, beginning at x."""
        self.box(x, y - 5, 24, 10, stroke=1.4, corner=1)
        self.line((x, y), (x + 24, y), width=1.4)

    def ground(self, x: float, y: float) -> None:
        """The sign of the car's body below (x, y)."""
        for at, half in ((0.0, 10.0), (3.5, 6.5), (7.0, 3.0)):
            self.line((x - half, y + at), (x + half, y + at), width=1.6)

    def svg(self, told: str) -> str:
        """The drawing; `told` says in words what it shows."""
        return (
            f'<svg class="wiring-drawing" xmlns="http://www.w3.org/2000/svg" role="img" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" width="{self.width:g}pt" '
            f'height="{self.height:g}pt"><title>{escape(told)}</title>{"".join(self.shapes)}</svg>'
        )
