"""A finished plot with its names said otherwise: longer names find room of their own.

A plot is drawn once and kept; whoever reads it may read another language. What was placed for
shorter names is placed anew by the rules of `wiring.drawings.plots`: beside a line where nothing is
drawn, else all of them below the plot; on a screen, whose letters the page sizes, the page is told
to list them there (`data-legend`).
"""

import re
from collections.abc import Callable, Iterator
from html import escape, unescape
from typing import Final, NamedTuple

import numpy as np

from wiring.drawings.frame import Frame
from wiring.drawings.plots import (
    BESIDE,
    RISES,
    SCREEN,
    SHARES,
    Box,
    below as names_below,
    filled,
    holds,
    name_width,
    overlap,
)
from wiring.tuning.measurements import Floats

_SIZE: Final = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
_LETTERS: Final = re.compile(r'font-size="([\d.]+)"')
_NAME: Final = re.compile(
    r'<rect class="plot-halo" x="([-\d.]+)" y="[-\d.]+" width="([\d.]+)" height="13" '
    r'fill="#ffffff" fill-opacity="0.8"/>'
    r'<text((?: class="plot-name plot-name-(\d+)" fill="[^"]*")?) x="[-\d.]+" y="([-\d.]+)" '
    r'font-weight="600">([^<]*)</text>'
)
_BELOW: Final = re.compile(
    r'<path d="M[\d.]+ [\d.]+h28" fill="none" ([^>]*)/><text x="[\d.]+" y="([\d.]+)">([^<]*)</text>'
)
_DRAWN: Final = re.compile(
    r'<path class="plot-(wished|before|after)(?: plot-line-(\d+))?" ([^>]*)>'
)
_POINTS: Final = re.compile(r'd="([^"]*)"')
_STROKE: Final = re.compile(r'(stroke(?:-width|-dasharray)?="[^"]*")')
SPREAD: Final = 1.1
"""How much wider the letters of a screen may be, whose font nobody chose."""

_LOUD: Final = 0.15
"""A name stands where its line is in the upper part of what it reaches, as a share of the plot."""


class _Drawn(NamedTuple):
    """A line of the plot: its number, the look of its stroke, where it is drawn [px]."""

    style: str
    look: str
    points: Floats


class _Name(NamedTuple):
    """A name beside its line: its number, left edge, base line and width [px], its words."""

    look: str
    style: str
    x: float
    y: float
    width: float
    label: str


def renamed(svg: str, say: Callable[[str], str]) -> str:
    """The plot with each name as `say` has it; anything but a plot comes back as it was."""
    size, letters = _SIZE.search(svg), _LETTERS.search(svg)
    if 'class="plot' not in svg or size is None or letters is None:
        return svg
    frame = Frame(20.0, 20_000.0, 0.0, 1.0, 1.0, float(size[1]), float(size[2]))
    below = [(one[1], float(one[2]), say(unescape(one[3]))) for one in _BELOW.finditer(svg)]
    if below:
        first = min(y for _, y, _ in below)
        listed = [(look, name) for look, _, name in below]
        rows, height = names_below(frame, listed, first, float(letters[1]))
        return _with_height(_instead(_BELOW, svg, "".join(rows)), frame.width, height)
    names = [
        _Name(one[3], one[4] or "", float(one[1]) + 2, float(one[5]), float(one[2]) - 4,
              say(unescape(one[6])))
        for one in _NAME.finditer(svg)
    ]  # fmt: skip
    if not names:
        return svg
    lines = list(_lines(svg))
    font = float(letters[1])
    on_screen = font == SCREEN.letters
    placed = _placed(frame, names, lines, font)
    if placed is None and on_screen:
        placed = _placed(frame, names, lines, font, anyhow=True)
        svg = svg.replace("<svg ", '<svg data-legend="1" ', 1)
    if placed is not None:
        return _instead(_NAME, svg, "".join(placed))
    looks = {one.style: one.look for one in reversed(lines)}
    listed = [(looks.get(one.style, ""), one.label) for one in names]
    rows, height = names_below(frame, listed, frame.height + font, font)
    return _with_height(_instead(_NAME, svg, "".join(rows)), frame.width, height)


def _instead(names: re.Pattern[str], svg: str, anew: str) -> str:
    """All names taken out, and what is drawn anew where the first of them stood."""
    first = names.search(svg)
    assert first is not None
    rest = names.sub("", svg[first.start() :])
    return f"{svg[: first.start()]}{anew}{rest}"


def _with_height(svg: str, width: float, height: float) -> str:
    return _SIZE.sub(f'viewBox="0 0 {width:g} {height:g}"', svg, count=1)


def _lines(svg: str) -> Iterator[_Drawn]:
    for one in _DRAWN.finditer(svg):
        points = _POINTS.search(one[3])
        pieces = []
        for piece in (points[1] if points else "").split("M")[1:]:
            values = [float(value) for value in re.findall(r"-?[\d.]+", piece)]
            pieces.append(filled(np.array(values).reshape(-1, 2)))
        if pieces:
            look = " ".join(_STROKE.findall(one[3]))
            yield _Drawn(one[2] or "", look, np.concatenate(pieces))


def _placed(
    frame: Frame, names: list[_Name], lines: list[_Drawn], letters: float, anyhow: bool = False
) -> list[str] | None:
    """Each name beside its line where nothing is drawn; None where one finds no such place, or
    the best there is (`anyhow`)."""
    drawn = np.concatenate([one.points for one in lines] or [np.empty((0, 2))])
    along = drawn[np.argsort(drawn[:, 0])].T
    taken: list[Box] = []
    texts = []
    for name in names:
        width = name_width(name.label, letters) * (SPREAD if letters == SCREEN.letters else 1.0)
        places = list(_places(frame, name, lines, width))
        boxes = [(x - BESIDE, y - letters + 2, x + width + BESIDE, y + 3) for x, y in places]
        clear = next(
            (
                at
                for at, box in enumerate(boxes)
                if not any(overlap(box, other) for other in taken) and not holds(box, along)
            ),
            None,
        )
        if clear is None and not anyhow:
            return None
        (x, y), box = places[clear or 0], boxes[clear or 0]
        taken.append(box)
        texts.append(
            f'<rect class="plot-halo" x="{x - 2:.1f}" y="{y - 10:.1f}" width="{width + 4:.1f}" '
            f'height="13" fill="#ffffff" fill-opacity="0.8"/>'
            f'<text{name.look} x="{x:.1f}" y="{y:.1f}" font-weight="600">'
            f"{escape(name.label)}</text>"
        )
    return texts


def _places(
    frame: Frame, name: _Name, lines: list[_Drawn], width: float
) -> Iterator[tuple[float, float]]:
    """Where a name may stand, the best first: where it stood, then along its line."""

    def within(x: float) -> float:
        return min(max(x, frame.left + 3), frame.width - frame.right - width - 3)

    yield within(name.x + (name.width - width) / 2), name.y
    own = next((one.points for one in lines if one.style == name.style), None)
    if own is None:
        return
    bottom = frame.height - frame.below
    loud = own[own[:, 1] <= own[:, 1].min() + _LOUD * (bottom - frame.above)]
    for rise in RISES:
        for share in SHARES:
            x, y = loud[int(share * (len(loud) - 1))]
            if frame.above + 10 <= y + rise <= bottom - 3:
                yield within(float(x) - width / 2), float(y) + rise
