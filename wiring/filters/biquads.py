"""Second-order digital sections: what a processor makes of a setting at its sample rate.

Equaliser sections follow the W3C Audio EQ Cookbook (Working Group Note, 8 June 2021). Crossovers
are their analogue prototypes under the bilinear transform, prewarped so that the corner keeps its
level: the same design as scipy.signal's butter and bessel (norm="mag") with `fs`.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Final, NamedTuple

from wiring.errors import WiringError, require_figure, require_positive
from wiring.filters.crossovers import CrossoverError, Direction, describe, prototype
from wiring.plan import Crossover, Section, Setting

ASSUMED_SAMPLE_RATE_HZ: Final = 48_000.0
"""Taken for a device without a stated rate; analogue filters differ from it near 20 kHz only."""

COOKBOOK: Final = "W3C Audio EQ Cookbook, Working Group Note 8 June 2021"


class Biquad(NamedTuple):
    """(b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float


IDENTITY: Final = Biquad(1.0, 0.0, 0.0, 0.0, 0.0)


def _require_below_half(frequency_hz: float, sample_rate_hz: float, what: str) -> None:
    _number(require_positive, "sample_rate_hz", sample_rate_hz, "Hz")
    _number(require_positive, "frequency_hz", frequency_hz, "Hz")
    if frequency_hz >= sample_rate_hz / 2:
        raise CrossoverError(
            "frequency_hz",
            f"{what} is not below half the sample rate of {sample_rate_hz:g} Hz",
        )


def _number(
    require: Callable[[str, float, str], float], field: str, value: float, unit: str
) -> None:
    try:
        require(field, value, unit)
    except WiringError as error:
        raise CrossoverError(error.field, error.reason) from None


@lru_cache(maxsize=4096)
def section_biquad(section: Section, sample_rate_hz: float) -> Biquad:
    """The cookbook's coefficients of an equaliser section, shelves by their q.

    Raises CrossoverError when the frequency is not below half the sample rate, or a figure none.
    """
    _require_below_half(
        section.frequency_hz, sample_rate_hz, f"a section at {section.frequency_hz:g} Hz"
    )
    _require_section(section)
    kind = section.kind
    if kind in ("peaking", "low_shelf", "high_shelf") and section.gain_db == 0:
        return IDENTITY
    w0 = 2 * math.pi * section.frequency_hz / sample_rate_hz
    cos, alpha = math.cos(w0), math.sin(w0) / (2 * section.q)
    a = 10 ** (section.gain_db / 40)
    if kind == "peaking":
        return _over(1 + alpha / a, 1 + alpha * a, -2 * cos, 1 - alpha * a, -2 * cos, 1 - alpha / a)
    if kind in ("low_shelf", "high_shelf"):
        tilt = 1.0 if kind == "low_shelf" else -1.0
        root = 2 * math.sqrt(a) * alpha
        plus, minus = (a + 1) + tilt * (a - 1) * cos, (a + 1) - tilt * (a - 1) * cos
        return _over(
            plus + root,
            a * (minus + root),
            2 * a * tilt * ((a - 1) - tilt * (a + 1) * cos),
            a * (minus - root),
            -2 * tilt * ((a - 1) + tilt * (a + 1) * cos),
            plus - root,
        )
    if kind == "notch":
        return _over(1 + alpha, 1, -2 * cos, 1, -2 * cos, 1 - alpha)
    if kind == "all_pass":
        return _over(1 + alpha, 1 - alpha, -2 * cos, 1 + alpha, -2 * cos, 1 - alpha)
    sign = 1.0 if kind == "low_pass" else -1.0
    half = (1 - sign * cos) / 2
    return _over(1 + alpha, half, sign * 2 * half, half, -2 * cos, 1 - alpha)


def _over(a0: float, b0: float, b1: float, b2: float, a1: float, a2: float) -> Biquad:
    return Biquad(b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0)


@lru_cache(maxsize=4096)
def crossover_biquads(
    crossover: Crossover, direction: Direction, sample_rate_hz: float
) -> tuple[Biquad, ...]:
    """Sections of a crossover filter by the bilinear transform, exact at its corner.

    Raises CrossoverError for a filter that does not exist or a corner not below half the rate.
    """
    _require_below_half(crossover.frequency_hz, sample_rate_hz, describe(crossover))
    corner = math.tan(math.pi * crossover.frequency_hz / sample_rate_hz)
    low = direction == "low_pass"
    biquads = []
    for radius, q in prototype(crossover.family, crossover.order):
        k = corner * radius if low else corner / radius
        if q is None:
            b0 = k if low else 1.0
            biquads.append(_over(1 + k, b0, b0 if low else -b0, 0.0, k - 1, 0.0))
        else:
            b0 = k * k if low else 1.0
            b1 = 2 * b0 if low else -2 * b0
            biquads.append(_over(1 + k / q + k * k, b0, b1, b0, 2 * (k * k - 1), 1 - k / q + k * k))
    return tuple(biquads)


def require_setting(setting: Setting) -> None:
    """Raise CrossoverError on a figure of the setting that is no number."""
    _number(require_figure, "level_db", setting.level_db, "dB")
    _number(require_figure, "delay_ms", setting.delay_ms, "ms")
    for crossover in (setting.high_pass, setting.low_pass):
        if crossover is not None:
            _number(require_positive, "frequency_hz", crossover.frequency_hz, "Hz")
    for section in setting.sections:
        _require_section(section)


def _require_section(section: Section) -> None:
    _number(require_positive, "frequency_hz", section.frequency_hz, "Hz")
    _number(require_figure, "gain_db", section.gain_db, "dB")
    _number(require_positive, "q", section.q, "")


@lru_cache(maxsize=2048)
def setting_biquads(setting: Setting, sample_rate_hz: float) -> tuple[Biquad, ...]:
    """All sections of a setting: high-pass, low-pass, equaliser. Raises CrossoverError."""
    require_setting(setting)
    biquads: list[Biquad] = []
    if setting.high_pass is not None:
        biquads += crossover_biquads(setting.high_pass, "high_pass", sample_rate_hz)
    if setting.low_pass is not None:
        biquads += crossover_biquads(setting.low_pass, "low_pass", sample_rate_hz)
    biquads += [section_biquad(section, sample_rate_hz) for section in setting.sections]
    return tuple(each for each in biquads if each is not IDENTITY)
