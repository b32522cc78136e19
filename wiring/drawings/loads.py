"""A drawn diagram of how the coils of some drivers are joined, as an SVG string.

Left is the channel's plus, right its minus. Parts in series run from left to right, parts in
parallel lie one above the other between two verticals. Everything is drawn in `currentColor`
with attributes only, so that it prints as it shows; classes `load-wire`, `load-coil`,
`load-text` and `load-dot` are hooks for a style sheet.
"""

from html import escape
from typing import Final, NamedTuple

from wiring.loads import Arrangement
from wiring.series_parallel import Tree

COIL_W: Final = 96.0
COIL_H: Final = 34.0
ROW_GAP: Final = 18.0
LEAD: Final = 16.0
MARGIN: Final = 44.0
TEXT: Final = 14.0
LETTER_W: Final = 7.6


class _Box(NamedTuple):
    width: float
    height: float


def _measure(tree: Tree) -> _Box:
    if not tree.children:
        return _Box(COIL_W + 2 * LEAD, COIL_H)
    boxes = [_measure(child) for child in tree.children]
    if tree.kind == "series":
        return _Box(sum(box.width for box in boxes), max(box.height for box in boxes))
    return _Box(
        max(box.width for box in boxes) + 2 * LEAD,
        sum(box.height for box in boxes) + ROW_GAP * (len(boxes) - 1),
    )


class _Pen:
    """Collects the shapes and names the coils in the order they are met."""

    def __init__(self, arrangement: Arrangement) -> None:
        self.arrangement = arrangement
        self.shapes: list[str] = []
        self.next_coil = 0

    def line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        if (x1, y1) != (x2, y2):
            self.shapes.append(
                f'<line class="load-wire" x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}"/>'
            )

    def dot(self, x: float, y: float) -> None:
        self.shapes.append(
            f'<circle class="load-dot" cx="{x:g}" cy="{y:g}" r="3.5" fill="currentColor"/>'
        )

    def text(self, x: float, y: float, words: str, size: float = TEXT) -> None:
        self.shapes.append(
            f'<text class="load-text" x="{x:g}" y="{y:g}" font-size="{size:g}" '
            f'text-anchor="middle" fill="currentColor" stroke="none">{escape(words)}</text>'
        )

    def coil(self, x: float, y: float) -> None:
        """One coil with its leads, its plus to the left, its middle line at y."""
        number, coils = self.next_coil, self.arrangement.coils
        self.next_coil += 1
        name = f"driver {number // coils + 1}"
        if coils == 2:
            name = f"{number // 2 + 1}{'ab'[number % 2]}"
        left, right = x + LEAD, x + LEAD + COIL_W
        self.line(x, y, left, y)
        self.line(right, y, right + LEAD, y)
        self.shapes.append(
            f'<rect class="load-coil" x="{left:g}" y="{y - COIL_H / 2:g}" width="{COIL_W:g}" '
            f'height="{COIL_H:g}" rx="5" fill="none"/>'
        )
        self.text(left + 9, y + 5, "+")
        self.text(right - 9, y + 5, "−")
        self.text((left + right) / 2, y - 2, name, TEXT - 2)
        ohm = f"{self.arrangement.coil_ohm:g} Ω"
        self.text((left + right) / 2, y + 12, ohm, TEXT - 2)

    def tree(self, tree: Tree, x: float, y: float, width: float) -> None:
        """A tree between x and x + width, its terminals on the line y."""
        box = _measure(tree)
        pad = (width - box.width) / 2
        self.line(x, y, x + pad, y)
        self.line(x + width - pad, y, x + width, y)
        x += pad
        if not tree.children:
            self.coil(x, y)
        elif tree.kind == "series":
            for child in tree.children:
                child_width = _measure(child).width
                self.tree(child, x, y, child_width)
                x += child_width
        else:
            self._parallel(tree, x, y, box)

    def _parallel(self, tree: Tree, x: float, y: float, box: _Box) -> None:
        left, right = x + LEAD, x + box.width - LEAD
        self.line(x, y, left, y)
        self.line(right, y, x + box.width, y)
        self.dot(left, y)
        self.dot(right, y)
        top = y - box.height / 2
        rows: list[float] = []
        for child in tree.children:
            height = _measure(child).height
            row = top + height / 2
            self.tree(child, left, row, right - left)
            rows.append(row)
            top += height + ROW_GAP
        for side in (left, right):
            self.line(side, rows[0], side, rows[-1])
            for row in rows[1:-1]:
                if row != y:
                    self.dot(side, row)


def draw(arrangement: Arrangement) -> str:
    """The arrangement as an SVG string, with a title and a description for a screen reader."""
    box = _measure(arrangement.tree)
    title = f"{arrangement.words}: {arrangement.load_ohm:.3g} Ω"
    width = max(box.width + 2 * MARGIN, len(title) * LETTER_W)
    height = box.height + 2 * ROW_GAP + 26
    middle = ROW_GAP + box.height / 2
    left = (width - box.width) / 2
    pen = _Pen(arrangement)
    pen.tree(arrangement.tree, left, middle, box.width)
    for x, sign in ((left, "+"), (left + box.width, "−")):
        pen.dot(x, middle)
        pen.text(x + (-16 if sign == "+" else 16), middle + 6, sign, 20)
    pen.text(width / 2, height - 10, title)
    plural = "s" if arrangement.drivers > 1 else ""
    described = (
        f"{arrangement.drivers} driver{plural} with {arrangement.coils} coil"
        f"{'s' if arrangement.coils > 1 else ''} of {arrangement.coil_ohm:g} Ω each"
    )
    return (
        f'<svg class="load-drawing" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'fill="none" stroke="currentColor" stroke-width="2">'
        f"<title>{escape(title)}</title><desc>{escape(described)}</desc>"
        f"{''.join(pen.shapes)}</svg>"
    )
