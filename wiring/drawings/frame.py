"""Where things lie on a plot: the axes of the drawing area, and paths cut to it."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from wiring.tuning.measurements import Floats

_TOLERANCE: Final = 0.2


@dataclass(frozen=True)
class Frame:
    """The drawing area: size in pixels of the view box, ranges of both axes."""

    low_hz: float
    high_hz: float
    bottom: float
    top: float
    step: float
    width: float = 760.0
    height: float = 360.0
    left: float = 52.0
    right: float = 14.0
    above: float = 30.0
    below: float = 40.0

    def x(self, frequency_hz: float) -> float:
        """Across [px]."""
        share = math.log(frequency_hz / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return self.left + share * (self.width - self.left - self.right)

    def xs(self, frequencies_hz: Floats) -> Floats:
        """Across for many [px]."""
        share = np.log(frequencies_hz / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return np.asarray(self.left + share * (self.width - self.left - self.right))

    def ys(self, values: Floats) -> Floats:
        """Down for many [px]."""
        share = (self.top - values) / (self.top - self.bottom)
        return np.asarray(self.above + share * (self.height - self.above - self.below))

    def y(self, value: float) -> float:
        """Down [px]."""
        return float(self.ys(np.array([value]))[0])


def path_within(frame: Frame, frequencies_hz: Floats, values: Floats) -> str:
    """A path within the frame: cut at its edges, with no more points than can be seen."""
    inside = (
        np.isfinite(values) & (frequencies_hz >= frame.low_hz) & (frequencies_hz <= frame.high_hz)
    )
    pieces: list[str] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(int)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        x = frame.xs(frequencies_hz[start:stop])
        y = frame.ys(values[start:stop])
        pieces += [_polyline(px, py) for px, py in _clip(frame, x, y)]
    return "".join(pieces)


def _clip(frame: Frame, x: Floats, y: Floats) -> list[tuple[Floats, Floats]]:
    """The parts of a polyline between top and bottom, ends put on the edge."""
    top, bottom = frame.above, frame.height - frame.below
    parts: list[tuple[list[float], list[float]]] = []
    open_part: tuple[list[float], list[float]] | None = None
    for i in range(x.size):
        here = top <= y[i] <= bottom
        if i and here != (top <= y[i - 1] <= bottom):
            edge = top if min(y[i], y[i - 1]) < top else bottom
            share = (edge - y[i - 1]) / (y[i] - y[i - 1])
            crossing = float(x[i - 1] + share * (x[i] - x[i - 1]))
            if open_part is None:
                open_part = ([crossing], [edge])
                parts.append(open_part)
            else:
                open_part[0].append(crossing)
                open_part[1].append(edge)
                open_part = None
        if here:
            if open_part is None:
                open_part = ([], [])
                parts.append(open_part)
            open_part[0].append(float(x[i]))
            open_part[1].append(float(y[i]))
    return [(np.array(px), np.array(py)) for px, py in parts if len(px) > 1]


def _polyline(x: Floats, y: Floats) -> str:
    kept = _visible(x, y)
    points = [f"{x[i]:.1f} {y[i]:.1f}" for i in kept]
    return f"M{points[0]}L{' '.join(points[1:])}"


def _visible(x: Floats, y: Floats) -> list[int]:
    """Points that matter to a fifth of a pixel (Ramer, 1972; Douglas and Peucker, 1973)."""
    keep = {0, x.size - 1}
    waiting = [(0, x.size - 1)]
    while waiting:
        first, last = waiting.pop()
        if last - first < 2:
            continue
        dx, dy = x[last] - x[first], y[last] - y[first]
        length = math.hypot(dx, dy) or 1.0
        off = (
            np.abs(dy * (x[first + 1 : last] - x[first]) - dx * (y[first + 1 : last] - y[first]))
            / length
        )
        worst = int(np.argmax(off))
        if off[worst] > _TOLERANCE:
            middle = first + 1 + worst
            keep.add(middle)
            waiting += [(first, middle), (middle, last)]
    return sorted(keep)
