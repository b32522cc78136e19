"""When a speaker's sound arrives, and with which polarity.

A filter smears a sound and turns its phase, so that the highest point of an impulse response says
neither. What a minimum-phase system turns follows from its magnitude alone (H. W. Bode, Network
Analysis and Feedback Amplifier Design, 1945, chapter 14, from memory): with slopes s of ln |H| over
u = ln f, the phase at u0 is the integral of s ln coth(|u - u0| / 2) over u, by pi. Crossovers,
drivers and reflections weaker than the direct sound are of that kind. With that phase taken out a
delay and a sign are left, which are read at the highest point.
"""

import math
from collections.abc import Callable
from itertools import product
from typing import Final, NamedTuple

import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.measure.impulse import Transfer
from wiring.measure.spectra import level_db
from wiring.tuning.arrays import Floats, require_frequencies, require_numbers
from wiring.tuning.response import Complexes

SOURCE: Final = "Bode, Network Analysis and Feedback Amplifier Design (1945), 14, from memory"
PER_OCTAVE: Final = 48
_CHI_AT_1: Final = math.pi**2 / 8
"""Legendre's chi of order 2 at 1."""


def minimum_phase_rad(
    frequencies_hz: Floats, levels_db: Floats, low_slope: float, high_slope: float
) -> Floats:
    """Phase that goes with a magnitude over frequencies of even ratio [rad].

    Below the first frequency the level goes on with `low_slope`, above the last with `high_slope`,
    both in dB per octave. Raises WiringError.
    """
    require_frequencies("frequencies_hz", frequencies_hz)
    require_numbers("levels_db", levels_db)
    for name, slope in (("low_slope", low_slope), ("high_slope", high_slope)):
        if not math.isfinite(slope):
            raise WiringError(name, f"{slope:g} dB per octave is no number")
    own, below, above = _turns(frequencies_hz, levels_db)
    return np.asarray(own + low_slope * below + high_slope * above)


def _turns(frequencies_hz: Floats, levels_db: Floats) -> tuple[Floats, Floats, Floats]:
    """Phase by the levels themselves, and by 1 dB per octave below and above them [rad]."""
    u = np.log(frequencies_hz)
    step = float(u[1] - u[0])
    if np.ptp(np.diff(u)) > 1e-6 * step:
        raise WiringError("frequencies_hz", "frequencies must be evenly spaced over their log")
    count = u.size
    gathered = _kernel(np.asarray(np.arange(-count, count + 1) * step, dtype=np.float64))
    lags = np.arange(count)[None, :] - np.arange(count)[:, None] + count
    reached = gathered[lags] / np.pi
    whole = 2 * _CHI_AT_1 / np.pi
    own = (reached[:, 1:] - reached[:, :-1]) @ (np.diff(levels_db * _NEPER) / step)
    per_octave = _NEPER / math.log(2)
    below = per_octave * (reached[:, 0] + whole)
    above = per_octave * (whole - reached[:, -1])
    return own, below, above


_NEPER: Final = math.log(10) / 20


def _kernel(u: Floats) -> Floats:
    """Integral of ln coth(|v| / 2) from 0 to u, odd in u."""
    x = np.exp(-np.abs(u))
    y = np.tanh(np.abs(u) / 2)
    small = np.minimum(x, y)
    chi = np.sum([small**k / k**2 for k in range(1, 60, 2)], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        other = _CHI_AT_1 - chi - 0.5 * np.log(x) * np.log(y)
    near = np.where(u == 0, _CHI_AT_1, other)
    return np.asarray(np.sign(u) * 2 * (_CHI_AT_1 - np.where(x <= y, chi, near)))


class Arrival(NamedTuple):
    """When the sound arrives, counted from the response's own zero [s], and how it points.

    `sureness` is how much of the band agrees on it, 0 to 1. `low_hz` and `high_hz` are the ends of
    the band it was read from; how a speaker goes on above it nobody can see, and one order more or
    less there moves the arrival by `uncertain_s`.
    """

    time_s: float
    inverted: bool
    sureness: float
    low_hz: float
    high_hz: float
    uncertain_s: float


PLAYS_DB: Final = 15.0
"""A speaker plays where it is no further than this below its loudest third octave."""
SEEN_DB: Final = 35.0
"""So far below it a filter's slope is one of a whole order, and still over the noise."""
EDGE_DB: Final = 20.0
LEVEL_EDGE_DB: Final = 10.0
"""Above such an end of the band a slope has not begun."""
OVER_NOISE_DB: Final = 12.0
KNOWN_DB: Final = 20.0
"""A known filter is taken out down to this."""
UNSEEN_S_HZ: Final = 0.1
"""One order of slope above f turns phases below as a delay of 0.1 / f does: 2 / (pi^2 2) by Bode's
integral over the slope."""
_SMOOTH: Final = 12
_MOST_ORDERS: Final = 4
_ORDER_DB: Final = 20 * math.log10(2)
_EARLY_S: Final = 0.04
_LATE_S: Final = 0.01


def arrival(
    spectrum: Transfer,
    low_hz: float,
    high_hz: float,
    noise: Floats | None = None,
    known: Complexes | None = None,
) -> Arrival:
    """Arrival and polarity of what a response holds between two frequencies.

    `spectrum` counts time from near the highest point of the impulse response. Over its lines,
    `noise` is the power of the background and `known` the response of filters that are set and
    are to be left out. Raises WiringError.
    """
    require_numbers("spectrum", spectrum.response)
    require_positive("low_hz", low_hz, "Hz")
    if require_positive("high_hz", high_hz, "Hz") < 2 * low_hz:
        raise WiringError("high_hz", "less than an octave is left to read an arrival from")
    spectrum, low_hz, high_hz = _without(spectrum, known, low_hz, high_hz)
    grid = np.geomspace(low_hz, high_hz, max(8, round(PER_OCTAVE * math.log2(high_hz / low_hz))))
    broad = _levels(spectrum, grid, 3)
    floor = np.full(grid.size, -np.inf)
    if noise is not None:
        require_numbers("noise", noise)
        floor = np.interp(grid, spectrum.frequencies_hz, level_db(noise)) + OVER_NOISE_DB
    loudest = float(np.max(broad))
    first, last = _around_loudest(broad, np.maximum(loudest - SEEN_DB, floor))
    plays = _around_loudest(broad, np.maximum(loudest - PLAYS_DB, floor))
    seen = slice(first, last + 1)
    return _best(
        spectrum, grid[seen], _levels(spectrum, grid[seen], _SMOOTH), broad[seen] - loudest,
        float(grid[plays[0]]), float(grid[plays[1]]),
    )  # fmt: skip


def _without(
    spectrum: Transfer, known: Complexes | None, low_hz: float, high_hz: float
) -> tuple[Transfer, float, float]:
    """The response without what known filters do, and the band in which that can be told."""
    if known is None:
        return spectrum, low_hz, high_hz
    require_numbers("known", known)
    lines = spectrum.frequencies_hz
    passed = np.abs(known)
    inside = (lines >= low_hz) & (lines <= high_hz)
    enough = inside & (passed > np.max(passed[inside], initial=0.0) * 10 ** (-KNOWN_DB / 20))
    if not enough.any():
        raise WiringError("known", "the filters that are set let nothing through")
    divided = spectrum.response / np.where(passed > 1e-6, known, 1.0)
    low, high = float(lines[enough][0]), float(lines[enough][-1])
    if high < 2 * low:
        raise WiringError("known", "the filters that are set leave less than an octave")
    return Transfer(lines, divided), low, high


def _levels(spectrum: Transfer, grid: Floats, fraction: int) -> Floats:
    """Mean power in 1/`fraction` octave about each frequency [dB]."""
    lines = spectrum.frequencies_hz
    half = 2 ** (1 / (2 * fraction))
    total = np.concatenate(([0.0], np.cumsum(spectrum.power)))
    bounds = np.concatenate(([0.0], lines + lines[1] / 2))
    low, high = np.maximum(grid / half, grid[0]), np.minimum(grid * half, grid[-1])
    width = np.maximum(high - low, lines[1]) / lines[1]
    return level_db(
        np.maximum(np.interp(high, bounds, total) - np.interp(low, bounds, total), 0) / width
    )


def _around_loudest(levels: Floats, least: Floats) -> tuple[int, int]:
    """First and last point of the stretch about the loudest one that is over `least`."""
    loudest = int(np.argmax(levels))
    under = np.flatnonzero(levels <= least)
    before, behind = under[under < loudest], under[under > loudest]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(behind[0]) - 1 if behind.size else levels.size - 1
    reach = PER_OCTAVE // 2
    if last - first < 2 * reach:
        first, last = max(0, loudest - reach), min(levels.size - 1, loudest + reach)
    return first, last


def _orders(grid: Floats, broad: Floats, low: bool) -> list[int]:
    """Orders with which a level may leave the seen band.

    Far down a filter falls by a whole order, and the nearest is taken. Where the band ends before
    that, the low end may go on with any, the high end goes on as it stands.
    """
    count = min(grid.size, PER_OCTAVE // 2)
    own = slice(0, count) if low else slice(grid.size - count, grid.size)
    fitted = float(np.polyfit(np.log2(grid[own]), broad[own], 1)[0])
    nearest = max(0, round((fitted if low else -fitted) / _ORDER_DB))
    edge = float(broad[0] if low else broad[-1])
    if edge < -EDGE_DB:
        return [nearest]
    if low:
        return list(range(_MOST_ORDERS + 1))
    return [0 if edge > -LEVEL_EDGE_DB else nearest]


def _best(
    spectrum: Transfer, grid: Floats, levels: Floats, broad: Floats, low_hz: float, high_hz: float
) -> Arrival:
    """The reading in which most of the band agrees, of all slopes it may go on with."""
    own, below, above = _turns(grid, levels)
    uncertain_s = UNSEEN_S_HZ / float(grid[-1])
    best: Arrival | None = None
    for low, high in product(_orders(grid, broad, True), _orders(grid, broad, False)):
        phase = own + _ORDER_DB * (low * below - high * above)
        one = _read(spectrum, grid, phase, low_hz, high_hz, uncertain_s)
        if best is None or one.sureness > best.sureness * _BETTER:
            best = one
    assert best is not None
    return best


_BETTER: Final = 1.01


def _read(
    spectrum: Transfer,
    grid: Floats,
    phase: Floats,
    low_hz: float,
    high_hz: float,
    uncertain_s: float,
) -> Arrival:
    """The highest point of the response with its magnitude and minimum phase taken out."""
    lines = spectrum.frequencies_hz
    inside = (lines >= low_hz) & (lines <= high_hz)
    used, own = lines[inside], spectrum.response[inside]
    left = own / np.maximum(np.abs(own), 1e-30)
    left = left * np.exp(-1j * np.interp(np.log(used), np.log(grid), phase))
    padded = np.zeros(lines.size, dtype=np.complex128)
    padded[inside] = left
    size = 2 * (lines.size - 1)
    rough = np.fft.irfft(padded, size)
    clock = size * float(lines[1])
    order = np.arange(-round(_EARLY_S * clock), round(_LATE_S * clock))
    best = int(order[np.argmax(np.abs(rough[order % size]))])

    def height(time_s: float) -> float:
        return float(np.mean(np.real(left * np.exp(2j * np.pi * used * time_s))))

    time_s = _peak(height, best / clock, 1 / clock)
    reached = height(time_s)
    return Arrival(time_s, reached < 0, abs(reached), low_hz, high_hz, uncertain_s)


def _peak(height: Callable[[float], float], time_s: float, step_s: float) -> float:
    """Where a height is greatest in size near a moment: parabolas through three points."""
    for _ in range(4):
        before, here, behind = (abs(height(time_s + shift)) for shift in (-step_s, 0.0, step_s))
        bend = before - 2 * here + behind
        if bend < 0:
            time_s += step_s * max(-1.0, min(1.0, 0.5 * (before - behind) / bend))
        step_s /= 4
    return time_s
