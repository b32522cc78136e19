"""Harmonic distortion by order, from the responses that arrive ahead of the linear one.

A. Farina, AES 108th Convention, preprint 5093 (2000): in an exponential sweep the n-th harmonic is
the sweep itself, earlier by its rate times ln n. So the n-th response over its own frequency,
against the linear response at the frequency it comes from, is that harmonic's share.
"""

import math
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from wiring.errors import WiringError, require_positive
from wiring.measure.impulse import Impulse, Transfer, Window, transfer, window_shape
from wiring.measure.spectra import level_db, mean_in_bands, whole_bands_hz
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import OCTAVE_RATIO, Measurement

SOURCE: Final = "Farina, AES preprint 5093 (2000)"
ORDERS: Final = (2, 3, 4, 5)
_AHEAD_MS: Final = 20.0
_LONGEST_MS: Final = 250.0


OVER_FLOOR_DB: Final = 6.0
"""A harmonic counts as found from so far over what the background alone would leave."""


class Worst(NamedTuple):
    """The greatest share of a harmonic [%] and the fundamental it belongs to [Hz]."""

    percent: float
    at_hz: float


class Harmonic(NamedTuple):
    """Level of one harmonic against its fundamental [dB] over the fundamental's third octaves.

    `floor` is what the background alone would have left there, None where it is not known.
    """

    order: int
    under: Measurement
    floor: Measurement | None = None

    @property
    def percent(self) -> Floats:
        """The same as a share of the fundamental [%]."""
        return np.asarray(100 * 10 ** (self.under.levels_db / 20))

    @property
    def found(self) -> npt.NDArray[np.bool_]:
        """Where it stands over the background; everywhere where that is not known."""
        if self.floor is None:
            return np.ones(self.under.levels_db.size, dtype=np.bool_)
        return np.asarray(self.under.levels_db > self.floor.levels_db + OVER_FLOOR_DB)

    @property
    def worst(self) -> Worst | None:
        """Where its share is greatest, None when it is nowhere over the background."""
        if not self.found.any():
            return None
        at = int(np.argmax(np.where(self.found, self.under.levels_db, -np.inf)))
        return Worst(float(self.percent[at]), float(self.under.frequencies_hz[at]))


def harmonics(
    impulse: Impulse,
    arrival_s: float,
    sweep_rate_s: float,
    linear: Transfer,
    low_hz: float,
    high_hz: float,
    orders: tuple[int, ...] = ORDERS,
    noise: Floats | None = None,
) -> tuple[Harmonic, ...]:
    """Harmonics of a speaker between two frequencies of the fundamental, where they lie in band and
    the sweep is long enough to keep them apart.

    `impulse` is the whole response of an exponential sweep of rate `sweep_rate_s` (seconds in
    which its frequency grows by e), the linear part of it arriving at `arrival_s` with the
    response `linear`. `noise` is the power that the background leaves over the lines of `linear`
    in a window whose squares add up to 1. Raises WiringError.
    """
    require_positive("sweep_rate_s", sweep_rate_s, "s")
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    if noise is not None:
        require_numbers("noise", noise)
    if not math.isfinite(arrival_s):
        raise WiringError("arrival_s", f"{arrival_s:g} s is no number")
    found = []
    for order in orders:
        top = high_hz / order
        if order < 2 or top < low_hz * OCTAVE_RATIO**2:
            continue
        room_ms = 1000 * sweep_rate_s * math.log(order / (order - 1))
        window = _window(room_ms)
        if window is None:
            continue
        begin = arrival_s - sweep_rate_s * math.log(order) - window.before_ms / 1000
        length = (window.before_ms + window.after_ms) / 1000
        own = impulse.stretch(begin, begin + length)
        shaped = own * window_shape(own.size, impulse.clock_hz, window)
        spectrum = transfer(Impulse(shaped, impulse.clock_hz, 0.0))
        centres = whole_bands_hz(3, low_hz, top)
        ours = mean_in_bands(spectrum.frequencies_hz, spectrum.power, centres * order, 3)
        theirs = level_db(mean_in_bands(linear.frequencies_hz, linear.power, centres, 3))
        floor = None
        if noise is not None:
            kept = float(np.sum(window_shape(own.size, impulse.clock_hz, window) ** 2))
            left = mean_in_bands(linear.frequencies_hz, noise * kept, centres * order, 3)
            floor = Measurement(centres, level_db(left) - theirs, "floor")
        under = Measurement(centres, level_db(ours) - theirs, f"harmonic {order}")
        found.append(Harmonic(order, under, floor))
    return tuple(found)


def _window(room_ms: float) -> Window | None:
    """As much of the stretch up to the harmonic before it as is free, faded at both ends; None
    where a short sweep leaves too little to keep them apart."""
    after = min(_LONGEST_MS, room_ms - 2 * _AHEAD_MS)
    if after < _AHEAD_MS:
        return None
    return Window(_AHEAD_MS, after, _AHEAD_MS / 2, after / 4)


def total(parts: tuple[Harmonic, ...]) -> Measurement | None:
    """Root of the summed squares of all orders under the fundamental [dB], None without any.

    Over the bands that the first order has; an order counts as far as it reaches.
    """
    if not parts:
        return None
    centres = parts[0].under.frequencies_hz
    power = np.zeros(centres.size)
    for one in parts:
        power[: one.under.levels_db.size] += 10 ** (one.under.levels_db / 10)
    return Measurement(centres, level_db(power), "harmonics together")
