"""Plots over log frequency as SVG text, the same on screen and on paper.

Every line has its own dash pattern and a label beside it or below all, so that colour is never
needed to tell them apart; colours are chosen to differ for colour-blind readers too. Strokes and
sizes are attributes, so the print renderer needs no style sheet; on screen the classes
`plot-line-1` to `plot-line-8` may set other colours, and axes and text follow `currentColor`.
Without any script the native tooltip shows the values of a third octave; `data-hz` and
`data-values` carry them.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, NamedTuple

import numpy as np

from wiring.drawings.frame import Frame, path_within
from wiring.names import frequency_name
from wiring.tuning.measurements import Floats, band_centres_hz, nominal_hz

COLOURS: Final = (
    "#0b5cad",
    "#b3470b",
    "#0a7a5c",
    "#a3297a",
    "#7a5a00",
    "#2f3b8f",
    "#8a1c1c",
    "#4d4d4d",
)
DASHES: Final = ("", "9 4", "2 3", "12 3 2 3", "16 5", "5 3", "9 3 2 3 2 3", "3 6")
BOLD: Final = 2.6
THIN: Final = 1.2

_TICKS_HZ: Final = (20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000)
_SILENT_DB: Final = -100.0
_WIDE: Final = frozenset("MWmw@%")
_NARROW: Final = frozenset("fijlrtI.,:;'()| ")
BESIDE: Final = 3.0
"""Room left free on both sides of a name."""

_SAMPLE: Final = 28.0
"""How long the piece of a line is beside its name below a plot [px]."""

_BETWEEN: Final = 8
"""Points looked at from one to the next, where a name may not lie."""

RISES: Final = (-7.0, 15.0, -21.0, 29.0, -35.0, 43.0)
"""How far under its line a name may stand [px], the best first."""

SHARES: Final = (0.5, 0.3, 0.7, 0.15, 0.85, 0.0, 1.0)
"""How far along the loud part of its line, the best first."""

Box = tuple[float, float, float, float]


class Look(NamedTuple):
    """The size of a plot and of its letters, in pixels of its view box."""

    width: float
    height: float
    letters: float


SCREEN: Final = Look(760.0, 360.0, 12.0)
PAPER: Final = Look(760.0, 205.0, 13.2)
HALF: Final = Look(374.0, 150.0, 13.4)
"""Across a printed page of 186 mm, and across half of one, the letters are 9 pt."""


def name_width(name: str, letters: float) -> float:
    """How wide a name is in heavy letters: enough for any of the usual fonts."""
    shares = (0.98 if one in _WIDE else 0.4 if one in _NARROW else 0.64 for one in name)
    return letters * sum(shares)


@dataclass(frozen=True)
class Line:
    """One thing shown: values after (bold) and, if there are any, before (thin)."""

    label: str
    frequencies_hz: Floats
    values: Floats | None
    before: Floats | None = None
    style: int = 0


@dataclass(frozen=True)
class Mark:
    """A crossover point: a frequency and what meets there."""

    frequency_hz: float
    label: str


def level_range(lines: Sequence[Line], span_db: float = 48.0) -> tuple[float, float, float]:
    """(bottom, top, step) for levels: the top a multiple of 6 dB, at most `span_db` shown."""
    values = _all_values(lines)
    if not values.size:
        return -42.0, 6.0, 6.0
    top = 6.0 * math.ceil((float(values.max()) + 1) / 6)
    bottom = max(6.0 * math.floor((float(values.min()) - 1) / 6), top - span_db)
    if top - bottom < 18:
        bottom = top - 18
    return bottom, top, 3.0 if top - bottom <= 18 else 6.0


def even_range(lines: Sequence[Line]) -> tuple[float, float, float]:
    """(bottom, top, step) for anything: about six steps of 1, 2 or 5 times a power of ten."""
    values = _all_values(lines)
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 1, high + 1
    raw = (high - low) / 6
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * each for each in (1, 2, 5, 10) if power * each >= raw)
    return step * math.floor(low / step), step * math.ceil(high / step), step


def _all_values(lines: Sequence[Line]) -> Floats:
    parts = [v for line in lines for v in (line.values, line.before) if v is not None]
    joined = np.concatenate(parts) if parts else np.empty(0)
    return np.asarray(joined[np.isfinite(joined)])


def draw(
    lines: Sequence[Line],
    title: str,
    unit: str = "dB",
    limits: tuple[float, float, float] | None = None,
    marks: Sequence[Mark] = (),
    wished: Line | None = None,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    ident: str = "plot",
    look: Look = SCREEN,
) -> str:
    """The whole plot as an `<svg>` element.

    `limits` is (bottom, top, step) of the values; `wished` is a target, drawn as a dotted line of
    the text's colour; `ident` must differ between plots of one page.
    """
    bottom, top, step = limits or level_range([*lines, *([wished] if wished else [])])
    frame = Frame(low_hz, high_hz, bottom, top, step, look.width, look.height)
    taken: list[Box] = []
    named = [one for one in [*lines, *([wished] if wished else [])] if one.label]
    marked = _marks(frame, marks, taken)
    names = _beside(frame, named, wished, taken, look)
    height = frame.height
    if names is None:
        listed = [(_stroke(one, wished), one.label) for one in named]
        names, height = below(frame, listed, frame.height + look.letters, look.letters)
    narrow = " narrow" if look.width < SCREEN.width else ""
    parts = [
        f'<svg class="plot{narrow}" xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {frame.width:g} {height:g}" role="img" '
        f'aria-labelledby="{escape(ident)}-title" '
        f'font-family="sans-serif" font-size="{look.letters:g}" fill="currentColor" '
        'stroke-linejoin="round">',
        f'<title id="{escape(ident)}-title">{escape(title)}</title>',
        *_axes(frame, unit, look.letters),
        *marked,
    ]
    if wished is not None and wished.values is not None:
        path = path_within(frame, wished.frequencies_hz, wished.values)
        parts.append(
            f'<path class="plot-wished" d="{path}" fill="none" stroke="currentColor" '
            f'stroke-width="1.6" stroke-dasharray="1 4" stroke-linecap="round"/>'
        )
    for line in lines:
        parts += _line(frame, line)
    parts += names
    parts += _hits(frame, [*lines, *([wished] if wished else [])], unit)
    parts.append("</svg>")
    return "".join(parts)


def tick_name(frequency_hz: float) -> str:
    """ "80", "2.5k"."""
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"


def _axes(frame: Frame, unit: str, letters: float) -> list[str]:
    x0, x1 = frame.left, frame.width - frame.right
    y0, y1 = frame.above, frame.height - frame.below
    grid = '<path class="plot-grid" d="{}" fill="none" stroke="currentColor" stroke-width="{}" '
    grid += 'stroke-opacity="{}"/>'
    minor, major, texts = [], [], []
    for decade in (10, 100, 1_000, 10_000):
        for digit in range(1, 10):
            frequency = decade * digit
            if frame.low_hz < frequency < frame.high_hz:
                minor.append(f"M{frame.x(frequency):.1f} {y0:g}V{y1:g}")
    for tick in _TICKS_HZ:
        if frame.low_hz * 0.999 <= tick <= frame.high_hz * 1.001:
            x = frame.x(tick)
            major.append(f"M{x:.1f} {y0:g}V{y1:g}")
            texts.append(
                f'<text x="{x:.1f}" y="{y1 + 16:g}" text-anchor="middle">{tick_name(tick)}</text>'
            )
    count = round((frame.top - frame.bottom) / frame.step)
    every = 1 if (y1 - y0) / max(1, count) > letters else 2
    for index in range(count + 1):
        value = frame.bottom + index * frame.step
        y = frame.y(value)
        major.append(f"M{x0:g} {y:.1f}H{x1:g}")
        if not index % every:
            said = _minus(f"{value:g}")
            texts.append(f'<text x="{x0 - 6:g}" y="{y + 4:.1f}" text-anchor="end">{said}</text>')
    middle = (x0 + x1) / 2
    texts.append(f'<text x="{middle:g}" y="{frame.height - 6:g}" text-anchor="middle">Hz</text>')
    texts.append(f'<text x="{x0 - 6:g}" y="{y0 - 12:g}" text-anchor="end">{escape(unit)}</text>')
    return [
        grid.format("".join(minor), 0.5, 0.14),
        grid.format("".join(major), 0.6, 0.32),
        f'<g class="plot-axis">{"".join(texts)}</g>',
    ]


def _marks(frame: Frame, marks: Sequence[Mark], taken: list[Box]) -> list[str]:
    parts = []
    last = -1e9
    for mark in sorted(marks, key=lambda each: each.frequency_hz):
        if not frame.low_hz <= mark.frequency_hz <= frame.high_hz:
            continue
        x = frame.x(mark.frequency_hz)
        y1 = frame.height - frame.below
        name = frequency_name(mark.frequency_hz)
        parts.append(
            f'<g class="plot-mark"><title>{escape(mark.label)}: {mark.frequency_hz:.0f} Hz</title>'
            f'<path d="M{x:.1f} {frame.above:g}V{y1:g}" fill="none" stroke="currentColor" '
            f'stroke-width="1.2" stroke-dasharray="4 3"/>'
            f'<path d="M{x - 5:.1f} {frame.above:g}h10l-5 7z" stroke="none"/>'
        )
        if x - last > 58:
            parts.append(
                f'<text x="{x:.1f}" y="{frame.above - 5:g}" text-anchor="middle">{name}</text>'
            )
            last = x
        parts.append("</g>")
        taken.append((x - 6, frame.above, x + 6, frame.above + 8))
    return parts


def _line(frame: Frame, line: Line) -> list[str]:
    style = line.style % len(COLOURS)
    shared = f'fill="none" {_look_of(style)}'
    parts = []
    if line.before is not None:
        path = path_within(frame, line.frequencies_hz, line.before)
        label = escape(line.label) + (", before" if line.values is not None else "")
        parts.append(
            f'<path class="plot-before plot-line-{style + 1}" d="{path}" {shared} '
            f'stroke-width="{THIN}" stroke-opacity="0.8"><title>{label}</title></path>'
        )
    if line.values is not None:
        path = path_within(frame, line.frequencies_hz, line.values)
        parts.append(
            f'<path class="plot-after plot-line-{style + 1}" d="{path}" {shared} '
            f'stroke-width="{BOLD}"><title>{escape(line.label)}</title></path>'
        )
    return parts


def _beside(
    frame: Frame, named: Sequence[Line], wished: Line | None, taken: list[Box], look: Look
) -> list[str] | None:
    """Each name beside its line, where that stands highest and nothing else is drawn.

    Where a name finds no such place it lies on what is drawn least in its way on a screen, whose
    script can name the lines below; on paper None is given, for names below all of them.
    """
    drawn = np.concatenate([_points(frame, one) for one in named] or [np.empty((0, 2))])
    along = drawn[np.argsort(drawn[:, 0])].T
    texts = []
    for line in named:
        places = list(_places(frame, line, look.letters))
        if not places:
            continue
        free = [one for one in places if not any(overlap(one[2], other) for other in taken)]
        clear = next((one for one in free if not holds(one[2], along)), None)
        if clear is None and look is not SCREEN:
            return None
        x, y, box = clear or (free or places)[0]
        taken.append(box)
        texts.append(_text(line, x, y, line is wished, name_width(line.label, look.letters)))
    return texts


def _places(frame: Frame, line: Line, letters: float) -> Iterator[tuple[float, float, Box]]:
    """Where a name may stand, the best first: its beginning [px] and the room it takes."""
    shown = line.values if line.values is not None else line.before
    if shown is None:
        return
    usable = np.flatnonzero(
        np.isfinite(shown)
        & (line.frequencies_hz >= frame.low_hz)
        & (line.frequencies_hz <= frame.high_hz)
        & (shown > frame.bottom)
    )
    if not usable.size:
        return
    width = name_width(line.label, letters)
    values = np.minimum(shown, frame.top)
    loud = usable[values[usable] >= values[usable].max() - 4]
    along = [loud[int(share * (loud.size - 1))] for share in SHARES]
    for rise in RISES:
        for place in along:
            x = frame.x(float(line.frequencies_hz[place])) - width / 2
            x = min(max(x, frame.left + 3), frame.width - frame.right - width - 3)
            y = frame.y(float(values[place])) + rise
            if frame.above + 10 <= y <= frame.height - frame.below - 3:
                yield x, y, (x - BESIDE, y - letters + 2, x + width + BESIDE, y + 3)


def _points(frame: Frame, line: Line) -> Floats:
    """Where the line is drawn [px], a row a point."""
    parts = []
    for values in (line.values, line.before):
        if values is not None:
            shown = np.isfinite(values) & (line.frequencies_hz > 0)
            at = np.stack([frame.xs(line.frequencies_hz[shown]), frame.ys(values[shown])], axis=1)
            parts.append(filled(at))
    return np.concatenate(parts) if parts else np.empty((0, 2))


def filled(points: Floats) -> Floats:
    """The points with others between them, so that none is far from the next."""
    if len(points) < 2:
        return points
    share = np.linspace(0.0, 1.0, _BETWEEN, endpoint=False)[:, None, None]
    between = points[:-1] + share * np.diff(points, axis=0)
    return np.concatenate([between.reshape(-1, 2), points[-1:]])


def holds(box: Box, along: Floats) -> bool:
    """Whether a point lies within; `along` is a row of x, rising, over one of y."""
    left, top, right, bottom = box
    first = np.searchsorted(along[0], left, "right")
    last = np.searchsorted(along[0], right, "left")
    y = along[1, first:last]
    return bool(np.any((y > top) & (y < bottom)))


def below(
    frame: Frame, listed: Iterable[tuple[str, str]], first: float, letters: float
) -> tuple[list[str], float]:
    """Names below the plot from the base line `first` on [px], each beside a piece of its line,
    whose look comes with it; and how high all is [px]."""
    parts = []
    x, y = frame.left, first
    for look, label in listed:
        wide = _SAMPLE + 6 + name_width(label, letters)
        if x > frame.left and x + wide > frame.width - frame.right:
            x, y = frame.left, y + letters * 1.4
        parts.append(
            f'<path d="M{x:.1f} {y - letters * 0.35:.1f}h{_SAMPLE:g}" fill="none" {look}/>'
            f'<text x="{x + _SAMPLE + 6:.1f}" y="{y:.1f}">{escape(label)}</text>'
        )
        x += wide + 18
    return parts, y + letters * 0.4


def _stroke(line: Line, wished: Line | None) -> str:
    if line is wished:
        return 'stroke="currentColor" stroke-width="1.6" stroke-dasharray="1 4"'
    width = BOLD if line.values is not None else THIN
    return f'{_look_of(line.style % len(COLOURS))} stroke-width="{width}"'


def _look_of(style: int) -> str:
    dash = f' stroke-dasharray="{DASHES[style]}"' if DASHES[style] else ""
    return f'stroke="{COLOURS[style]}"{dash}'


def overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _text(line: Line, x: float, y: float, plain: bool, width: float) -> str:
    style = line.style % len(COLOURS)
    look = "" if plain else f' class="plot-name plot-name-{style + 1}" fill="{COLOURS[style]}"'
    return (
        f'<rect class="plot-halo" x="{x - 2:.1f}" y="{y - 10:.1f}" width="{width + 4:.1f}" '
        f'height="13" fill="#ffffff" fill-opacity="0.8"/>'
        f'<text{look} x="{x:.1f}" y="{y:.1f}" font-weight="600">{escape(line.label)}</text>'
    )


def _hits(frame: Frame, lines: Sequence[Line], unit: str) -> list[str]:
    """A see-through column per third octave that tells every value in it."""
    centres = band_centres_hz(3, frame.low_hz, frame.high_hz)
    half = 10**0.05
    parts = ['<g class="plot-hits" fill="none" pointer-events="all">']
    for centre in centres:
        texts = value_texts(lines, float(centre), unit)
        left = max(frame.x(float(centre) / half), frame.left)
        right = min(frame.x(float(centre) * half), frame.width - frame.right)
        if right <= left or not texts:
            continue
        name = frequency_name(nominal_hz(float(centre)))
        parts.append(
            f'<rect class="plot-hit" x="{left:.1f}" y="{frame.above:g}" width="{right - left:.1f}" '
            f'height="{frame.height - frame.above - frame.below:g}" data-hz="{name}" '
            f'data-values="{escape("|".join(texts))}"><title>{name}</title></rect>'
        )
    parts.append("</g>")
    return parts


def value_texts(lines: Sequence[Line], frequency_hz: float, unit: str) -> list[str]:
    """ "Tweeter left: −3.0 dB (before −1.2)" for each line at a frequency.

    A line that is only thin is said by its label alone.
    """
    texts = []
    at = np.array([frequency_hz])
    for line in lines:
        after = _read(line.frequencies_hz, line.values, at)
        before = _read(line.frequencies_hz, line.before, at)
        if after is None and before is None:
            continue
        if after is None and line.values is None:
            texts.append(f"{line.label}: {_said(before, unit)}")
            continue
        was = _said(before, unit).removesuffix(f" {unit}")
        then = f" (before {was})" if before is not None else ""
        texts.append(f"{line.label}: {_said(after, unit)}{then}")
    return texts


def _said(value: float | None, unit: str) -> str:
    """A value with its unit; "none" where nothing is, or too little to be heard."""
    if value is None or (unit == "dB" and value <= _SILENT_DB):
        return "none"
    return _minus(f"{value + 0.0:.1f} {unit}".replace("-0.0 ", "0.0 "))


def _minus(number: str) -> str:
    """A number with the sign that numbers have elsewhere, which is as wide as a plus."""
    return number.replace("-", "−")


def _read(frequencies_hz: Floats, values: Floats | None, at: Floats) -> float | None:
    if values is None or not frequencies_hz[0] * 0.98 <= at[0] <= frequencies_hz[-1] * 1.02:
        return None
    value = float(np.interp(np.log(at), np.log(frequencies_hz), values)[0])
    return value if math.isfinite(value) else None
