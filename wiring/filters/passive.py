"""Passive crossovers: what a ladder of capacitors, coils and resistors does before a driver.

The driver is taken as a resistance of its load, as ratings are. The ladder is solved exactly from
the driver back to the channel by Kirchhoff's laws: with 1 V at the driver, each part in series
adds its drop to the voltage and each part across adds its current. Preferred values are those of
IEC 60063:2015, Table 1, from memory.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from wiring.errors import SMALLEST, WiringError, require_positive
from wiring.plan import PassivePart

Parts = tuple[PassivePart, ...]
Direction = Literal["low_pass", "high_pass"]

SOURCE: Final = "Kirchhoff's laws; the driver as a resistance"
SERIES_SOURCE: Final = "IEC 60063:2015, Table 1, from memory"
LOWEST_HZ: Final = 1.0
HIGHEST_HZ: Final = 1_000_000.0
"""Where a branch is looked at for its loudest point: a capacitor's is far above hearing."""
CORNER_DB: Final = 10 * math.log10(0.5)
_LEAST_OHM: Final = 1e-12
"""Keeps a part that is nothing at one frequency from dividing by zero there."""
_FAR: Final = 64.0

E12: Final = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24: Final = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip


class Solved(NamedTuple):
    """A branch at some frequencies: voltage at the driver over that of the channel, and the
    impedance the channel sees [ohm]; complex numbers or arrays of them."""

    gain: Any
    impedance_ohm: Any


def solve(parts: Parts, load_ohm: float, frequencies_hz: Any) -> Solved:
    """The branch with its driver at one frequency or an array of them [Hz], all above 0.

    Raises WiringError on a load or a frequency that is none.
    """
    require_positive("load_ohm", load_ohm, "ohm")
    if isinstance(frequencies_hz, np.ndarray):
        if not np.all(np.isfinite(frequencies_hz) & (frequencies_hz >= SMALLEST)):
            raise WiringError("frequencies_hz", "a frequency is no number above 0")
    else:
        require_positive("frequencies_hz", frequencies_hz, "Hz")
    for part in parts:
        for field in ("capacitance_f", "inductance_h", "resistance_ohm"):
            if (value := getattr(part, field)) is not None:
                require_positive(f"parts.{field}", value, "")
    s = 2j * math.pi * frequencies_hz
    voltage: Any = 1.0 + 0.0 * s
    current: Any = voltage / load_ohm
    for part in reversed(parts):
        z: Any = _LEAST_OHM + (part.resistance_ohm or 0.0)
        if part.inductance_h is not None:
            z = z + s * part.inductance_h
        if part.capacitance_f is not None:
            z = z + 1 / (s * part.capacitance_f)
        if part.place == "series":
            voltage = voltage + current * z
        else:
            current = current + voltage / z
    return Solved(1 / voltage, voltage / current)


@lru_cache(maxsize=4096)
def gain_db(parts: Parts, load_ohm: float, frequency_hz: float) -> float:
    """Level at the driver against the channel's [dB]. Raises as `solve` does."""
    return 20 * math.log10(max(abs(solve(parts, load_ohm, frequency_hz).gain), 1e-20))


class PassiveFilter(NamedTuple):
    """A passive branch seen as a filter of one direction.

    `frequency_hz` is where it has lost half the power against its loudest, `order` its slope far
    beyond, 6 dB per octave each.
    """

    parts: Parts
    load_ohm: float
    direction: Direction
    frequency_hz: float
    order: int
    loudest_db: float

    def level_db(self, frequency_hz: float) -> float:
        """Level the branch leaves [dB], 0 where it is loudest."""
        return gain_db(self.parts, self.load_ohm, frequency_hz) - self.loudest_db


@lru_cache(maxsize=1024)
def passive_filters(parts: Parts, load_ohm: float) -> tuple[PassiveFilter, ...]:
    """The branch as a high-pass, a low-pass, both, or neither (a resistor alone)."""
    if not parts:
        return ()
    grid = [LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** (k / 240) for k in range(241)]
    levels = [gain_db(parts, load_ohm, each) for each in grid]
    top = max(range(len(grid)), key=levels.__getitem__)
    found = []
    both: tuple[tuple[Direction, float], ...] = (("high_pass", 1 / _FAR), ("low_pass", _FAR))
    for direction, ratio in both:
        corner = _corner(parts, load_ohm, grid[top], levels[top], ratio)
        if corner is not None:
            far = gain_db(parts, load_ohm, corner * ratio)
            further = gain_db(parts, load_ohm, corner * ratio * ratio)
            octaves = math.log2(_FAR)
            order = max(round((far - further) / octaves / (20 * math.log10(2))), 0)
            if order:
                found.append(PassiveFilter(parts, load_ohm, direction, corner, order, levels[top]))
    return tuple(found)


def _corner(
    parts: Parts, load_ohm: float, top_hz: float, top_db: float, ratio: float
) -> float | None:
    """Where the level has fallen by half the power, going from the loudest point, or None."""
    wanted = top_db + CORNER_DB
    step = ratio ** (1 / 48)
    inside, outside = top_hz, top_hz * step
    while gain_db(parts, load_ohm, outside) > wanted:
        inside, outside = outside, outside * step
        if not LOWEST_HZ / 2 < outside < 2 * HIGHEST_HZ:
            return None
    for _ in range(40):
        middle = math.sqrt(inside * outside)
        if gain_db(parts, load_ohm, middle) > wanted:
            inside = middle
        else:
            outside = middle
    return math.sqrt(inside * outside)


def preferred(value: float, series: Sequence[float] = E24) -> float:
    """The nearest preferred value, in ratio. Raises WiringError unless `value` is above 0."""
    require_positive("value", value, "")
    decade = 10.0 ** math.floor(math.log10(value))
    candidates = [each * decade * scale for scale in (0.1, 1.0, 10.0) for each in series]
    near = min(candidates, key=lambda each: abs(math.log(each / value)))
    return float(f"{near:.12g}")


PREFERRED_WITHIN: Final = 0.005
"""A typed value this near a preferred one is it: two figures are printed on parts."""


def is_preferred(value: float, series: Sequence[float] = E24) -> bool:
    """Whether a value is of the series, to the rounding of two printed figures."""
    return abs(preferred(value, series) / value - 1) <= PREFERRED_WITHIN
