"""The parts of a recording that a take is made of: response, background, marks."""

import math
from typing import Final, NamedTuple

import numpy as np

from wiring.errors import require_finite, require_positive
from wiring.measure.arrival import Arrival, arrival
from wiring.measure.impulse import (
    LONG,
    Impulse,
    Transfer,
    Window,
    deconvolve,
    taper,
    transfer,
    windowed,
)
from wiring.measure.locate import Located, Stretch
from wiring.measure.signals import (
    MARK,
    MARK_S,
    PULSE_EVERY_S,
    PULSE_S,
    PULSES,
    RING_S,
    RUN_IN,
    RUN_OUT,
    TAIL_S,
    SignalSpec,
    mark_at,
    pulse_at,
    sweep_of,
    times_s,
)
from wiring.measure.spectra import Spectrum
from wiring.tuning.arrays import Floats, require_numbers

LOWEST_HZ: Final = 20.0
HIGHEST_HZ: Final = 20_000.0
PULSE_BAND_HZ: Final = (60.0, 5_000.0)
PULSE_WINDOW: Final = Window(20.0, 150.0, 10.0, 50.0)
MARK_WINDOW: Final = Window(100.0, 300.0, 50.0, 100.0)
_AHEAD_S: Final = 0.1
_LEAST_QUIET_S: Final = 0.25
_LATEST_S: Final = 0.05


class Raw(NamedTuple):
    """A response not yet windowed, the band it is good for, and what was sent over its lines."""

    impulse: Impulse
    low_hz: float
    high_hz: float
    window: Window


def response_of(spec: SignalSpec, samples: Floats, located: Located, stretch: Stretch) -> Raw:
    """The response that one stretch of a sweep or of pulses holds. Raises WiringError."""
    require_numbers("samples", samples)
    of = _sweep_response if spec.kind == "sweep" else _pulse_response
    return of(spec, samples, located, stretch)


def _sweep_response(spec: SignalSpec, samples: Floats, located: Located, stretch: Stretch) -> Raw:
    clock = located.clock_hz
    begin = located.payload(stretch, spec)
    first = max(0, math.floor(begin - _AHEAD_S * clock))
    last = min(samples.size, math.ceil(begin + (spec.seconds + RING_S) * clock))
    sent = 10 ** (spec.level_dbfs / 20) * sweep_of(spec).at(times_s(spec.seconds, clock))
    response = deconvolve(samples[first:last], sent, clock, spec.low_hz, spec.high_hz)
    low, high = spec.usable_hz
    return Raw(Impulse(response, clock, begin - first), low, high, LONG)


def _pulse_response(spec: SignalSpec, samples: Floats, located: Located, stretch: Stretch) -> Raw:
    """The mean of all pulses, each moved by the part of a sample it is off, then deconvolved."""
    clock = located.clock_hz
    begin = located.payload(stretch, spec)
    size = 2 * (math.floor((PULSE_EVERY_S - 0.01) * clock) // 2)
    turn = 2j * np.pi * np.fft.rfftfreq(size)
    gathered = np.zeros(turn.size, dtype=np.complex128)
    ahead = math.floor(0.03 * clock)
    for number in range(PULSES):
        at = begin + number * PULSE_EVERY_S * clock - ahead
        first = math.floor(at)
        own = np.zeros(size)
        given = samples[max(0, first) : first + size]
        own[max(0, -first) : max(0, -first) + given.size] = given
        gathered += np.fft.rfft(own) * np.exp(turn * (at - first))
    mean = np.fft.irfft(gathered / PULSES, size)
    sent = 10 ** (spec.level_dbfs / 20) * pulse_at(times_s(PULSE_S * 2, clock))
    low, high = PULSE_BAND_HZ
    response = deconvolve(mean, sent, clock, low / RUN_IN, high * RUN_OUT)
    return Raw(Impulse(response, clock, float(ahead)), low, high, PULSE_WINDOW)


def highest_s(impulse: Impulse) -> float:
    """The highest point of a response, within what a car can be late [s]."""
    begin, end = -_LATEST_S / 2, _LATEST_S * 2
    own = np.abs(impulse.stretch(begin, end))
    first = math.floor(impulse.zero + begin * impulse.clock_hz)
    return (first + int(np.argmax(own)) - impulse.zero) / impulse.clock_hz


def quiet_of(
    spec: SignalSpec, samples: Floats, located: Located, stretch: Stretch
) -> Floats | None:
    """The stretch in which nothing played: in the tail, else ahead of the first mark; None where
    there is none. Raises WiringError on what is no number."""
    require_numbers("samples", samples)
    clock = located.clock_hz
    end = located.payload(stretch, spec) + spec.payload_s * clock
    tail = samples[round(end + RING_S * clock) : round(end + (TAIL_S - 0.05) * clock)]
    if tail.size >= _LEAST_QUIET_S * clock:
        return np.asarray(tail)
    if stretch.number == 0 and stretch.begin is not None:
        lead = samples[: max(0, round(stretch.begin - 0.05 * clock))]
        if lead.size >= _LEAST_QUIET_S * clock:
            return np.asarray(lead[-round(clock) :])
    return None


def noise_power(
    spec: SignalSpec,
    background: Spectrum,
    spectrum: Transfer,
    clock_hz: float,
) -> Floats:
    """Power that the background leaves over the lines of a response, in a window whose squares add
    up to 1. Raises WiringError on a clock that is none."""
    require_positive("clock_hz", clock_hz, "Hz")
    lines = spectrum.frequencies_hz
    density = np.interp(lines, background.frequencies_hz, background.power_per_hz) * clock_hz / 2
    if spec.kind == "pulse":
        density = density / PULSES
    return np.asarray(density * _inverse_sent(spec, lines, clock_hz))


def _inverse_sent(spec: SignalSpec, lines: Floats, clock_hz: float) -> Floats:
    """One over the signal's power over frequency, in its band.

    Of an exponential sweep of amplitude a that stays a time L / f at each frequency:
    |X|^2 = a^2 L / (4 f) (stationary phase; Farina 2000).
    """
    gain = 10 ** (spec.level_dbfs / 20)
    if spec.kind == "pulse":
        size = 2 * (lines.size - 1)
        sent = np.abs(np.fft.rfft(gain * pulse_at(times_s(PULSE_S * 2, clock_hz)), size)) ** 2
        low, high = PULSE_BAND_HZ[0] / RUN_IN, PULSE_BAND_HZ[1] * RUN_OUT
        return np.asarray(taper(lines, low, high) ** 2 / np.maximum(sent, sent.max() * 1e-8))
    rate_s = sweep_of(spec).rate_s
    sent = gain**2 * rate_s / (4 * np.maximum(lines, spec.low_hz)) * clock_hz**2
    return np.asarray(taper(lines, spec.low_hz, spec.high_hz) ** 2 / sent)


def mark_arrival(samples: Floats, located: Located, begin: float) -> Arrival:
    """When the mark's own speaker is heard, counted from the sample `begin` where its mark was
    found. Raises WiringError on what is no number."""
    require_numbers("samples", samples)
    require_finite("begin", begin, "samples")
    clock = located.clock_hz
    first = max(0, math.floor(begin - 0.3 * clock))
    own = samples[first : math.ceil(begin + (MARK_S + 0.45) * clock)]
    sent = mark_at(times_s(MARK_S, clock))
    response = Impulse(
        deconvolve(own, sent, clock, MARK.low_hz, MARK.high_hz), clock, begin - first
    )
    peak_s = highest_s(response)
    read = arrival(
        transfer(windowed(response, peak_s, MARK_WINDOW)),
        max(LOWEST_HZ, MARK.low_hz * RUN_IN * 2),
        min(HIGHEST_HZ, MARK.high_hz / RUN_OUT),
    )
    return read._replace(time_s=read.time_s + peak_s)


def level_change_db(samples: Floats, located: Located, stretch: Stretch) -> float | None:
    """Level of the second mark over the first [dB], None unless both are whole. Raises WiringError
    on what is no number."""
    require_numbers("samples", samples)
    if stretch.begin is None or stretch.end is None:
        return None
    powers = []
    for begin in (stretch.begin, stretch.end):
        first = max(0, round(begin))
        own = samples[first : first + round(MARK_S * located.clock_hz)]
        if own.size < 0.95 * MARK_S * located.clock_hz:
            return None
        powers.append(float(np.mean(own**2)))
    return 10 * math.log10(max(powers[1], 1e-30) / max(powers[0], 1e-30))
