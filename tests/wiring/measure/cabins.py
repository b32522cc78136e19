"""Recordings of cars that are not there: a signal through speakers, cabins, clocks and noise.

Filters are scipy.signal's, a clock that is off is scipy.signal.resample over the whole recording:
neither is the code under test.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from scipy import signal as scipy_signal

from wiring.measure.signals import LEAD_S, SignalSpec, make

RATE_HZ = 48_000.0
SPEED_M_S = 343.0


@dataclass(frozen=True)
class Driver:
    """A speaker: filters as scipy sections, delay, level, polarity, and what comes back to it."""

    filters: tuple[tuple[str, int, float], ...] = ()
    delay_ms: float = 3.0
    inverted: bool = False
    gain_db: float = 0.0
    reflections: tuple[tuple[float, float], ...] = ()
    power: tuple[float, ...] = field(default=())
    """Shares of the second, third ... power of the signal, for distortion."""

    def sections(self) -> Any:
        return np.vstack(
            [
                scipy_signal.butter(order, hz, kind, fs=RATE_HZ, output="sos")
                for kind, order, hz in self.filters
            ]
        )

    def response(self, frequencies_hz: Any) -> Any:
        """What reaches the microphone, by frequency."""
        gain = 10 ** (self.gain_db / 20) * (-1 if self.inverted else 1)
        heard = gain * np.exp(-2j * np.pi * frequencies_hz * self.delay_ms / 1000)
        ways = 1 + sum(
            share * np.exp(-2j * np.pi * frequencies_hz * later_ms / 1000)
            for later_ms, share in self.reflections
        )
        if self.filters:
            heard = heard * scipy_signal.sosfreqz(self.sections(), frequencies_hz, fs=RATE_HZ)[1]
        return heard * ways


TWEETER = Driver((("high", 2, 3_000.0), ("high", 2, 3_000.0)))
MIDRANGE = Driver((("high", 2, 300.0),) * 2 + (("low", 2, 3_000.0),) * 2)
FULL = Driver((("high", 2, 60.0),))
SUBWOOFER = Driver((("high", 2, 25.0),) + (("low", 2, 80.0),) * 2)


@cache
def played(spec: SignalSpec) -> Any:
    return make(spec).samples


def heard(samples: Any, driver: Driver) -> Any:
    """One channel of a signal through a driver."""
    own = samples
    if driver.power:
        peak = np.max(np.abs(samples))
        own = samples + sum(
            share * peak * (samples / peak) ** (number + 2)
            for number, share in enumerate(driver.power)
        )
    size = own.size + int(RATE_HZ)
    spectrum = np.fft.rfft(own, size) * driver.response(np.fft.rfftfreq(size, 1 / RATE_HZ))
    return np.fft.irfft(spectrum, size)[: own.size]


def recorded(
    spec: SignalSpec,
    drivers: Sequence[Driver],
    *,
    noise_db: float = 40.0,
    drift_ppm: float = 0.0,
    late_s: float = 0.0,
    stops_s: float | None = None,
    rooms: Sequence[Any] = (),
    seed: int = 1,
) -> Any:
    """What a microphone records while each driver plays its stretch of a signal.

    Noise is white, `noise_db` under the sweep of the loudest driver. The recorder starts `late_s`
    after the player (before it, where negative) and stops at `stops_s` of the player's time.
    """
    whole = played(spec)
    total = np.zeros(whole.shape[1])
    for number, driver in enumerate(drivers):
        own = whole[0].copy()
        if len(drivers) > 1:
            first = LEAD_S + number * spec.period_s - spec.pause_s / 2
            own[: max(0, round(first * RATE_HZ))] = 0
            own[round((first + spec.period_s) * RATE_HZ) :] = 0
        out = heard(own, driver)
        total += scipy_signal.fftconvolve(out, rooms[number])[: out.size] if rooms else out
    return microphone(spec, total, noise_db, drift_ppm, late_s, stops_s, seed)


def microphone(
    spec: SignalSpec,
    total: Any,
    noise_db: float = 40.0,
    drift_ppm: float = 0.0,
    late_s: float = 0.0,
    stops_s: float | None = None,
    seed: int = 1,
) -> Any:
    """What of a sound in the car stands in the file."""
    random = np.random.default_rng(seed)
    loud = np.sqrt(np.mean(total**2) * spec.length_s / (len(spec.stretches) * spec.payload_s))
    last = total.size if stops_s is None else round(stops_s * RATE_HZ)
    if late_s < 0:
        total = np.concatenate((np.zeros(round(-late_s * RATE_HZ)), total[:last]))
    else:
        total = total[round(late_s * RATE_HZ) : last]
    if drift_ppm:
        total = scipy_signal.resample(total, round(total.size * (1 + drift_ppm / 1e6)))
    return total + random.normal(0, loud * 10 ** (-noise_db / 20), total.size)
