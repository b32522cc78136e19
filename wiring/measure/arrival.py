"""When a speaker's sound arrives, and with which polarity.

A filter smears a sound and turns its phase, so that the highest point of an impulse response says
neither. What a minimum-phase system turns follows from its magnitude alone (H. W. Bode, Network
Analysis and Feedback Amplifier Design, 1945, chapter 14, from memory): with slopes s of ln |H| over
u = ln f, the phase at u0 is the integral of s ln coth(|u - u0| / 2) over u, by pi. Crossovers,
drivers and reflections weaker than the direct sound are of that kind. With that phase taken out a
delay and a sign are left, which are read at the highest point.

How fine it can be. A delay is known no better than 1 / (F sqrt(2 E / N)), E the energy, N the
noise's density and F the root mean square of the angular frequency over the band (S. M. Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, section 3.11, from memory).
Noise 40 dB under a sweep would leave a subwoofer's arrival within a hundredth of a sample at
48 kHz. The cabin does not: forty reflections come within 10 ms, while a band B over a time T holds
but 2 B T numbers that are independent (H. J. Landau and H. O. Pollak, Bell System Technical Journal
41, 1962, p. 1295, from memory), 5 of a subwoofer. They cannot be told from the direct sound, and
beside it they are noise as strong as itself, 2 E / N = 1, which leaves 1 / F. In simulated cabins
the median reading is off by, in samples at 48 kHz: a subwoofer that is heard to 240 Hz 34 (1 / F is
54), a midbass heard to 860 Hz 11 (15), a woofer heard to 1340 Hz 8 (10). Whoever knows the
crossover exactly and takes it out reads 28, 11 and 5 from what is left: nobody reads a sample
there, and the tape counts. What reaches 3 kHz is read within one (all this in the tests).
"""

import math
from collections.abc import Callable
from itertools import product
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from wiring.errors import WiringError, require_positive
from wiring.measure.impulse import Transfer
from wiring.measure.spectra import level_db
from wiring.tuning.arrays import Floats, require_frequencies, require_numbers

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

    `sureness` is how much of the band agrees on it, and `margin` by how much the best reading of
    the other polarity falls short of it, both 0 to 1. `low_hz` and `high_hz` are the ends of
    the band it was read from. `uncertain_s` holds in 19 of 20 cabins (expanded uncertainty, JCGM
    100:2008, 6.2): how a speaker goes on above its band nobody can see, one order more or less
    there moves the arrival, and so do the first modes of a cabin where the band ends low.
    """

    time_s: float
    inverted: bool
    sureness: float
    margin: float
    low_hz: float
    high_hz: float
    uncertain_s: float


PLAYS_DB: Final = 15.0
"""A speaker plays where it is no further than this below its loudest third octave,"""
UNDER_MEDIAN_DB: Final = 8.0
"""or below the median of what is seen of it: a small cabin lifts the lowest octaves."""
SEEN_DB: Final = 35.0
"""So far below it a filter's slope is one of a whole order, and still over the noise."""
EDGE_DB: Final = 20.0
LEVEL_EDGE_DB: Final = 10.0
"""Above such an end of the band a slope has not begun."""
OVER_NOISE_DB: Final = 12.0
EARLIER: Final = ((4.0, 0.5), (3.0, 0.7))
"""Octaves of the band, and the share of the highest point from which an earlier one of its sign is
the direct sound. Of narrower bands every pulse has side lobes as high as that."""
HEARD_BEFORE: Final = 0.05
SMEAR_S: Final = 0.000_1
SMEAR_PERIODS: Final = 0.5
"""Nothing is heard before it arrives: no more of the energy than this, earlier than by what the
upper end of the band smears. A cabin's first modes make a midbass seem half a period late without
it."""
TOLD_APART_HZ: Final = 200.0
"""A speaker that ends below is smeared by the lower end of the measured band more than that."""
EARLIEST_S: Final = 0.004
"""A reflection higher than the direct sound comes no later behind it than this in a car."""
UNSEEN_S_HZ: Final = 0.1
"""One order of slope above f turns phases below as a delay of 0.1 / f does: 2 / (pi^2 2) by Bode's
integral over the slope."""
CABIN_HZ: Final = 2_000.0
CABIN_S_HZ: Final = 0.4
"""Of speakers that end below CABIN_HZ f, 19 of 20 arrivals are read within this over f: from 400
simulated cabins of walls that take up 35 to 80 % (pyroomacoustics; the tests draw them anew)."""
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
) -> Arrival:
    """Arrival and polarity of what a response holds between two frequencies.

    `spectrum` counts time from near the highest point of the impulse response; `noise` is the
    power of the background over its lines. Raises WiringError.
    """
    require_numbers("spectrum", spectrum.response)
    require_positive("low_hz", low_hz, "Hz")
    if require_positive("high_hz", high_hz, "Hz") < 2 * low_hz:
        raise WiringError("high_hz", "less than an octave is left to read an arrival from")
    grid = np.geomspace(low_hz, high_hz, max(8, round(PER_OCTAVE * math.log2(high_hz / low_hz))))
    broad = _levels(spectrum, grid, 3)
    floor = np.full(grid.size, -np.inf)
    if noise is not None:
        require_numbers("noise", noise)
        floor = np.interp(grid, spectrum.frequencies_hz, level_db(noise)) + OVER_NOISE_DB
    loudest = float(np.max(broad))
    first, last = _around_loudest(broad, np.maximum(loudest - SEEN_DB, floor))
    seen = slice(first, last + 1)
    played = min(loudest - PLAYS_DB, float(np.median(broad[seen])) - UNDER_MEDIAN_DB)
    plays = _around_loudest(broad, np.maximum(played, floor))
    return _best(
        spectrum, grid[seen], _levels(spectrum, grid[seen], _SMOOTH), broad[seen] - loudest,
        float(grid[plays[0]]), float(grid[plays[1]]),
    )  # fmt: skip


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
    """First and last point of the stretch about the loudest one that is over `least`.

    A dip narrower than an octave, which a cabin makes, does not end it.
    """
    loudest = int(np.argmax(levels))
    over = np.flatnonzero(levels > least)
    if not over.size:
        over = np.array([loudest])
    ends = np.flatnonzero(np.diff(over) > PER_OCTAVE)
    own = int(np.searchsorted(over, loudest))
    before, behind = ends[ends < own], ends[ends >= own]
    first = int(over[before[-1] + 1]) if before.size else int(over[0])
    last = int(over[behind[0]]) if behind.size else int(over[-1])
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
    if high_hz < CABIN_HZ:
        uncertain_s = max(uncertain_s, CABIN_S_HZ / high_hz)
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
    clock = size * float(lines[1])
    order = np.arange(-round(_EARLY_S * clock), round(_LATE_S * clock))
    heights = np.fft.irfft(padded, size)[order % size]
    if high_hz > TOLD_APART_HZ:
        energy = np.fft.irfft(spectrum.response, size)[order % size] ** 2
        heights[_heard_before(energy, max(SMEAR_S, SMEAR_PERIODS / high_hz) * clock)] = 0
    at, margin = _direct(heights, clock, math.log2(high_hz / low_hz))
    best = int(order[at])

    def height(time_s: float) -> float:
        return float(np.mean(np.real(left * np.exp(2j * np.pi * used * time_s))))

    time_s = _peak(height, best / clock, 1 / clock)
    reached = height(time_s)
    return Arrival(time_s, reached < 0, abs(reached), margin, low_hz, high_hz, uncertain_s)


def _peak(height: Callable[[float], float], time_s: float, step_s: float) -> float:
    """Where a height is greatest in size near a moment: parabolas through three points."""
    for _ in range(4):
        before, here, behind = (abs(height(time_s + shift)) for shift in (-step_s, 0.0, step_s))
        bend = before - 2 * here + behind
        if bend < 0:
            time_s += step_s * max(-1.0, min(1.0, 0.5 * (before - behind) / bend))
        step_s /= 4
    return time_s


def _heard_before(energy: Floats, smear: float) -> npt.NDArray[np.bool_]:
    """The moments ahead of which a part of the energy has come already."""
    share = np.cumsum(energy) / max(float(np.sum(energy)), 1e-300)
    apart = round(smear)
    return np.concatenate((np.zeros(apart), share[: share.size - apart])) > HEARD_BEFORE


def _direct(heights: Floats, clock_hz: float, octaves: float) -> tuple[int, float]:
    """Where the direct sound stands, and by how much the other polarity falls short of it."""
    best = int(np.argmax(np.abs(heights)))
    signed = heights * np.sign(heights[best])
    highest = float(signed[best])
    margin = 1 - float(np.max(-signed)) / max(highest, 1e-30)
    share = next((share for wide, share in EARLIER if octaves >= wide), None)
    if share is not None:
        first = max(1, best - round(EARLIEST_S * clock_hz))
        own = signed[first - 1 : best + 1]
        peaks = (own[1:-1] >= own[:-2]) & (own[1:-1] > own[2:]) & (own[1:-1] > share * highest)
        if peaks.any():
            best = first + int(np.argmax(peaks))
    return best, margin
