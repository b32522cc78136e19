"""From a recorded signal to the impulse response, and from that to magnitude.

Deconvolution: ISO 18233:2006, Annex B (from memory), and A. Farina, AES 108th Convention, preprint
5093 (2000). The spectrum of the recording is divided by that of the signal as it is at the
recorder's clock, within the band the signal plays; with an exponential sweep the n-th harmonic
arrives ahead of the response by its rate times ln n, and so stays out of it.
"""

import math
from typing import Final, NamedTuple

import numpy as np

from wiring.errors import WiringError, require_not_negative, require_positive
from wiring.measure.signals import RUN_IN, RUN_OUT
from wiring.measure.spectra import good_length, lines_hz
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.response import Complexes

SOURCE: Final = "ISO 18233:2006, Annex B, from memory; Farina, AES preprint 5093 (2000)"
REGULARISED_DB: Final = -80.0
"""Where the signal has less than this against its loudest, the quotient is held down."""


class Window(NamedTuple):
    """What of the impulse response counts: from `before_ms` ahead of the arrival to `after_ms`
    behind it, faded in over `rise_ms` and out over `fall_ms` by half a cosine."""

    before_ms: float = 100.0
    after_ms: float = 500.0
    rise_ms: float = 50.0
    fall_ms: float = 125.0

    @property
    def said(self) -> str:
        """The window in words, for whoever repeats the sums."""
        return (
            f"from {self.before_ms:g} ms before the arrival to {self.after_ms:g} ms after it, "
            f"half-cosine edges of {self.rise_ms:g} and {self.fall_ms:g} ms"
        )


LONG: Final = Window()
"""For a car: all of its ring-down, and narrow bands from 20 Hz on."""


class Impulse(NamedTuple):
    """An impulse response at a clock [Hz]: `samples[zero]` is the moment counted from.

    It goes round: what is ahead of the first sample stands at the end.
    """

    samples: Floats
    clock_hz: float
    zero: float

    def stretch(self, from_s: float, to_s: float) -> Floats:
        """Samples between two moments about zero [s]. Raises WiringError."""
        first = math.floor(self.zero + from_s * self.clock_hz)
        last = math.ceil(self.zero + to_s * self.clock_hz)
        if last - first >= self.samples.size:
            raise WiringError("to_s", "the impulse response is shorter than that")
        return np.asarray(self.samples[np.arange(first, last) % self.samples.size])


def require_window(window: Window) -> None:
    """Raise WiringError unless a window has a length and its edges have room in it."""
    for name, value in zip(Window._fields, window, strict=True):
        require_not_negative(f"window.{name}", value, "ms")
    length = window.before_ms + window.after_ms
    if not 1 <= length <= 2_000:
        raise WiringError("window.after_ms", f"a window of {length:g} ms: from 1 to 2000 ms")
    if window.rise_ms + window.fall_ms > length:
        raise WiringError("window.fall_ms", "the edges are longer than the window")


def deconvolve(
    recorded: Floats, played: Floats, clock_hz: float, low_hz: float, high_hz: float
) -> Floats:
    """Impulse response whose first sample belongs to the first of both arrays, going round.

    `played` is the signal at the recorder's clock, `low_hz` and `high_hz` the ends of its sweep.
    Raises WiringError on silence, or on what is no number.
    """
    require_numbers("recorded", recorded)
    require_numbers("played", played)
    require_positive("clock_hz", clock_hz, "Hz")
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    size = good_length(recorded.size + played.size)
    sent = np.fft.rfft(played, size)
    power = np.abs(sent) ** 2
    loudest = float(power.max())
    if loudest == 0:
        raise WiringError("played", "the signal is silent")
    held = power + loudest * 10 ** (REGULARISED_DB / 10)
    shape = taper(lines_hz(size, clock_hz), low_hz, high_hz)
    return np.fft.irfft(np.fft.rfft(recorded, size) * np.conj(sent) * shape / held, size)


def taper(frequencies_hz: Floats, low_hz: float, high_hz: float) -> Floats:
    """1 in the usable band of a sweep, 0 outside its ends, half a cosine over log frequency."""
    require_numbers("frequencies_hz", frequencies_hz)
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    above_0 = np.maximum(frequencies_hz, low_hz / 10)
    shape = np.where((frequencies_hz > low_hz) & (frequencies_hz < high_hz), 1.0, 0.0)
    for edge, ratio in ((frequencies_hz / low_hz, RUN_IN), (high_hz / above_0, RUN_OUT)):
        begun = (edge > 1) & (edge < ratio)
        shape[begun] *= 0.5 - 0.5 * np.cos(np.pi * np.log(edge[begun]) / math.log(ratio))
    return shape


def windowed(impulse: Impulse, arrival_s: float, window: Window = LONG) -> Impulse:
    """The stretch of an impulse response around an arrival, faded by a window.

    `zero` of the answer stands for the moment `arrival_s`. Raises WiringError.
    """
    require_window(window)
    require_numbers("impulse", impulse.samples)
    require_positive("clock_hz", impulse.clock_hz, "Hz")
    if not math.isfinite(arrival_s):
        raise WiringError("arrival_s", f"{arrival_s:g} s is no number")
    begin = arrival_s - window.before_ms / 1000
    end = arrival_s + window.after_ms / 1000
    own = impulse.stretch(begin, end)
    first = math.floor(impulse.zero + begin * impulse.clock_hz)
    zero = impulse.zero + arrival_s * impulse.clock_hz - first
    return Impulse(own * window_shape(own.size, impulse.clock_hz, window), impulse.clock_hz, zero)


def window_shape(count: int, clock_hz: float, window: Window) -> Floats:
    """The values of a window over its length. Raises WiringError."""
    require_window(window)
    times_ms = np.arange(count) * 1000 / require_positive("clock_hz", clock_hz, "Hz")
    last = times_ms[-1] if count else 0.0
    rise = np.clip(times_ms / max(window.rise_ms, 1e-3), 0, 1)
    fall = np.clip((last - times_ms) / max(window.fall_ms, 1e-3), 0, 1)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))


class Transfer(NamedTuple):
    """Complex response over evenly spaced frequencies from 0, time counted from the arrival."""

    frequencies_hz: Floats
    response: Complexes

    @property
    def power(self) -> Floats:
        """Squared magnitude."""
        return np.asarray(np.abs(self.response) ** 2)


def transfer(impulse: Impulse, least_hz: float = 1.5) -> Transfer:
    """Fourier transform of an impulse response about its zero, lines at most `least_hz` apart."""
    require_numbers("impulse", impulse.samples)
    require_positive("clock_hz", impulse.clock_hz, "Hz")
    apart = require_positive("least_hz", least_hz, "Hz")
    size = good_length(max(impulse.samples.size, round(impulse.clock_hz / apart)))
    frequencies = lines_hz(size, impulse.clock_hz)
    turned = np.exp(2j * np.pi * frequencies * (impulse.zero / impulse.clock_hz))
    return Transfer(frequencies, np.fft.rfft(impulse.samples, size) * turned)
