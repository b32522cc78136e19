"""Crossover filters as analogue prototypes: magnitudes, poles, and where two of them cross.

Butterworth and Bessel (both -3.01 dB at the corner) of order 1 to 8, Linkwitz-Riley (two equal
Butterworth filters in a row, -6.02 dB at the corner) of order 2, 4, 6 and 8; each order is
6 dB per octave. Sources: S. Butterworth, "On the theory of filter amplifiers" (1930);
S. Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio Eng. Soc. 24 (1976);
W. E. Thomson, "Delay networks having maximally flat frequency characteristics" (1949).
Plain Python, scalars and caches only: the rules call it many times a second.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

from wiring.errors import WiringError, require_positive
from wiring.filters.passive import Direction as Direction, PassiveFilter
from wiring.plan import Crossover, FilterFamily, Passive

Filter = Crossover | PassiveFilter
"""What keeps a band from a driver: a processor's filter, or a passive branch before it."""

FAMILY_NAMES: Final[dict[FilterFamily, str]] = {
    "butterworth": "Butterworth",
    "linkwitz_riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}
SLOPE_DB_PER_ORDER: Final = 6
MAX_ORDER: Final = 8
IN_PHASE_DB: Final = 20 * math.log10(2)
"""Two equal levels in phase add up to this much more than one of them."""

_LOWEST_HZ: Final = 1.0
_HIGHEST_HZ: Final = 100_000.0
_SILENT_DB: Final = -400.0
_FAR_RATIO: Final = 1e15
"""Nothing of a filter's band is left there; higher powers of it would be no number."""


class CrossoverError(WiringError):
    """A filter that does not exist; `field` says which entry to mend."""


def slope_db(order: int) -> int:
    """Slope far from the corner [dB per octave]."""
    return SLOPE_DB_PER_ORDER * order


def describe(crossover: Filter | None) -> str:
    """In words: "2500 Hz Linkwitz-Riley 24 dB/oct", "2500 Hz passive 6 dB/oct"."""
    if crossover is None:
        return "none at all"
    if isinstance(crossover, PassiveFilter):
        near_hz = float(f"{crossover.frequency_hz:.3g}")
        return f"{near_hz:g} Hz passive {slope_db(crossover.order)} dB/oct"
    family = FAMILY_NAMES[crossover.family]
    return f"{crossover.frequency_hz:g} Hz {family} {slope_db(crossover.order)} dB/oct"


def exists(family: FilterFamily, order: int) -> bool:
    """Whether there is such a filter: Linkwitz-Riley has even orders only."""
    return 1 <= order <= MAX_ORDER and not (family == "linkwitz_riley" and order % 2)


def require(family: FilterFamily, order: int) -> None:
    """Raise CrossoverError when there is no such filter."""
    if not exists(family, order):
        raise CrossoverError(
            "order",
            f"there is no {FAMILY_NAMES[family]} filter of {slope_db(order)} dB per octave: "
            "choose 12, 24, 36 or 48"
            if family == "linkwitz_riley"
            else f"orders 1 to {MAX_ORDER} exist, not {order}",
        )


def power_gain(family: FilterFamily, order: int, ratio: float) -> float:
    """|H|^2 of the low-pass at `ratio` = frequency / corner; a high-pass is that at 1 / ratio.

    Raises CrossoverError for a filter that does not exist or a ratio that is none.
    """
    require(family, order)
    if not 0 <= ratio < math.inf:
        raise CrossoverError("ratio", f"{ratio:g} is no ratio of frequencies")
    if ratio > _FAR_RATIO:
        return 0.0
    if family == "butterworth":
        return float(1.0 / (1.0 + ratio ** (2 * order)))
    if family == "linkwitz_riley":
        return float(1.0 / (1.0 + ratio**order) ** 2)
    scaled = ratio * _bessel_corner(order)
    at_dc = _bessel_polynomial(order)[0]
    return (at_dc / abs(_evaluate(_bessel_polynomial(order), complex(0.0, scaled)))) ** 2


@lru_cache(maxsize=8192)
def level_db(crossover: Filter, direction: Direction, frequency_hz: float) -> float:
    """Level the filter leaves at a frequency [dB], 0 in its pass band. Raises WiringError."""
    require_positive("frequency_hz", frequency_hz, "Hz")
    require_positive("frequency_hz", crossover.frequency_hz, "Hz")
    if isinstance(crossover, PassiveFilter):
        return crossover.level_db(frequency_hz)
    corner = crossover.frequency_hz
    ratio = frequency_hz / corner if direction == "low_pass" else corner / frequency_hz
    if ratio > 1e12:
        return _SILENT_DB
    gain = power_gain(crossover.family, crossover.order, ratio)
    return 10 * math.log10(gain) if gain > 1e-40 else _SILENT_DB


def chain_level_db(filters: Sequence[Filter], direction: Direction, frequency_hz: float) -> float:
    """Level left by several filters in a row [dB]; 0 for none."""
    return sum(level_db(each, direction, frequency_hz) for each in filters)


def stated_corners(own: Passive | None) -> tuple[tuple[Crossover, Direction], ...]:
    """The corners of a passive branch of which no values are known."""
    if own is None or own.parts:
        return ()
    corners: list[tuple[Crossover, Direction]] = []
    if own.high_pass is not None:
        corners.append((own.high_pass, "high_pass"))
    if own.low_pass is not None:
        corners.append((own.low_pass, "low_pass"))
    return tuple(corners)


class Crossing(NamedTuple):
    """Where a low-pass and a high-pass leave the same level, and that level [dB]."""

    frequency_hz: float
    level_db: float

    @property
    def in_phase_sum_db(self) -> float:
        """Level of both together in phase [dB]: 0 for Linkwitz-Riley at one corner."""
        return self.level_db + IN_PHASE_DB


@lru_cache(maxsize=1024)
def crossing(low_pass: tuple[Filter, ...], high_pass: tuple[Filter, ...]) -> Crossing | None:
    """Where the falling and the rising side meet, None when one of them has no filter.

    Found by halving the interval on a logarithmic scale, to 1e-6 of the frequency.
    """
    if not low_pass or not high_pass:
        return None
    low, high = math.log(_LOWEST_HZ), math.log(_HIGHEST_HZ)
    while high - low > 1e-6:
        middle = (low + high) / 2
        frequency = math.exp(middle)
        if _direct(low_pass, "low_pass", frequency) > _direct(high_pass, "high_pass", frequency):
            low = middle
        else:
            high = middle
    frequency = math.exp((low + high) / 2)
    return Crossing(frequency, _direct(low_pass, "low_pass", frequency))


class Pole(NamedTuple):
    """A pole of the low-pass prototype, as its distance from zero (corner 1) and its quality.

    `q` is None for a pole on the real axis, a first-order factor.
    """

    radius: float
    q: float | None


@lru_cache(maxsize=32)
def prototype(family: FilterFamily, order: int) -> tuple[Pole, ...]:
    """Poles of the low-pass with corner 1, each conjugate pair once. Raises CrossoverError.

    The high-pass of the same corner has them at the inverse radius with the same quality.
    """
    require(family, order)
    if family == "butterworth":
        pairs = [
            Pole(1.0, 1 / (2 * math.sin(math.pi * (2 * k + 1) / (2 * order))))
            for k in range(order // 2)
        ]
        return (*pairs, *([Pole(1.0, None)] if order % 2 else []))
    if family == "linkwitz_riley":
        half = prototype("butterworth", order // 2)
        paired = [pole for pole in half if pole.q is not None]
        return (*paired, *paired, *([Pole(1.0, 0.5)] if (order // 2) % 2 else []))
    scale = _bessel_corner(order)
    sections = []
    for root in _roots(_bessel_polynomial(order)):
        if abs(root.imag) < 1e-9 * abs(root):
            sections.append(Pole(abs(root) / scale, None))
        elif root.imag > 0:
            sections.append(Pole(abs(root) / scale, abs(root) / (-2 * root.real)))
    return tuple(sorted(sections, key=lambda pole: pole.q or 0.0))


def analogue_response(crossover: Crossover, direction: Direction, frequencies_hz: Any) -> Any:
    """Complex gain of the analogue filter at one frequency or an array of them [Hz].

    Raises CrossoverError for a filter that does not exist.
    """
    if isinstance(frequencies_hz, float | int):
        require_positive("frequencies_hz", frequencies_hz, "Hz")
    s = 1j * frequencies_hz / require_positive("frequency_hz", crossover.frequency_hz, "Hz")
    if direction == "high_pass":
        s = 1 / s
    gain: Any = 1.0
    for radius, q in prototype(crossover.family, crossover.order):
        p = s / radius
        gain = gain / (1 + p if q is None else 1 + p / q + p * p)
    return gain


def _direct(filters: Sequence[Filter], direction: Direction, frequency_hz: float) -> float:
    uncached = level_db.__wrapped__
    return sum(uncached(each, direction, frequency_hz) for each in filters)


@lru_cache(maxsize=16)
def _bessel_polynomial(order: int) -> tuple[float, ...]:
    """Coefficients of the reverse Bessel polynomial, lowest power first."""
    return tuple(
        math.factorial(2 * order - k)
        / (2 ** (order - k) * math.factorial(k) * math.factorial(order - k))
        for k in range(order + 1)
    )


def _evaluate(coefficients: Sequence[float], s: complex) -> complex:
    value = 0j
    for coefficient in reversed(coefficients):
        value = value * s + coefficient
    return value


@lru_cache(maxsize=16)
def _bessel_corner(order: int) -> float:
    """Frequency at which the delay-normalised Bessel low-pass is at half power."""
    coefficients = _bessel_polynomial(order)
    low, high = 0.1, 10.0
    for _ in range(100):
        middle = (low + high) / 2
        gain = (coefficients[0] / abs(_evaluate(coefficients, complex(0.0, middle)))) ** 2
        low, high = (middle, high) if gain > 0.5 else (low, middle)
    return (low + high) / 2


def _roots(coefficients: Sequence[float]) -> list[complex]:
    """All roots of a polynomial with leading coefficient 1 (Durand and Kerner's iteration)."""
    degree = len(coefficients) - 1
    reach = 1 + max(abs(c) for c in coefficients) ** (1 / degree)
    guesses = [
        reach * complex(math.cos(a), math.sin(a))
        for a in (2 * math.pi * k / degree + 0.4 for k in range(degree))
    ]
    for _ in range(500):
        moved = 0.0
        for i, guess in enumerate(guesses):
            others = 1 + 0j
            for j, other in enumerate(guesses):
                if j != i:
                    others *= guess - other
            step = _evaluate(coefficients, guess) / others
            guesses[i] = guess - step
            moved = max(moved, abs(step) / reach)
        if moved < 1e-16:
            break
    return guesses
