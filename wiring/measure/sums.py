"""Measured speakers together: what they would add up to, and levels of tones and channels."""

from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from wiring.errors import WiringError, require_figure, require_positive
from wiring.measure import faults
from wiring.measure.faults import Fault, RecordingError
from wiring.measure.locate import Located, locate
from wiring.measure.responses import HIGHEST_HZ, LOWEST_HZ
from wiring.measure.signals import RING_S, TAIL_S, SignalSpec
from wiring.measure.spectra import level_db, mean_in_bands, power_in_bands, welch, whole_bands_hz
from wiring.measure.take import Take
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import Measurement
from wiring.tuning.response import Complexes

FINE: Final = 12
CHANNEL_LOW_HZ: Final = 250.0
CHANNEL_HIGH_HZ: Final = 3_150.0
HEARD_DB: Final = 10.0
"""So far over the background a channel counts as heard (common practice, no source)."""


def summed(
    takes: Sequence[Take],
    changes_ms: Sequence[float] = (),
    turned: Sequence[bool] = (),
    fraction: int = FINE,
) -> Measurement:
    """Level of several measured speakers together, by band, out of their takes one by one.

    `changes_ms` adds a delay to each, `turned` exchanges the polarity of each: what a setting would
    do is seen before it is typed. Laid beside a take of all of them together it says whether they
    meet as computed. Raises WiringError unless the takes share a clock.
    """
    require_one_clock(takes)
    for name, given in (("changes_ms", changes_ms), ("turned", turned)):
        if given and len(given) != len(takes):
            raise WiringError(name, f"{len(given)} are given for {len(takes)} takes")
    lines = takes[0].transfer.frequencies_hz
    whole: Complexes = np.zeros(lines.size, dtype=np.complex128)
    first_ms = min(one.zero_ms or 0.0 for one in takes)
    for number, one in enumerate(takes):
        late = (one.zero_ms or 0.0) - first_ms
        if changes_ms:
            late += require_figure("changes_ms", changes_ms[number], "ms")
        sign = -1 if turned and turned[number] else 1
        turn = np.exp(-2j * np.pi * lines * late / 1000)
        whole = whole + sign * one.transfer.response * turn
    centres = whole_bands_hz(fraction, LOWEST_HZ, HIGHEST_HZ)
    power = mean_in_bands(lines, np.abs(whole) ** 2, centres, fraction)
    return Measurement(centres, level_db(power), "together")


def require_one_clock(takes: Sequence[Take]) -> None:
    """Raise WiringError unless two takes at least can be added up."""
    if len(takes) < 2:
        raise WiringError("takes", "two takes at least are wanted to add up")
    if len({one.relative_to for one in takes}) > 1 or takes[0].relative_to == "nothing":
        raise WiringError(
            "takes",
            "they share no clock: measure all in one recording, or with the marks from one speaker",
        )
    if any(one.zero_ms is None for one in takes):
        raise WiringError("takes", "one of them has no arrival time")
    if len({one.transfer.frequencies_hz.size for one in takes}) > 1:
        raise WiringError("takes", "they were recorded at different sample rates")


class ToneLevel(msgspec.Struct, frozen=True):
    """Level of a tone in a recording against a sine at full scale, and what else there is."""

    level_dbfs: float
    rest_dbfs: float


def tone_level(samples: Floats, sample_rate_hz: float, tone_hz: float) -> ToneLevel:
    """Level of a tone of known frequency: least squares of a sine, a cosine and a constant.

    Raises WiringError on what is no number, a tone not below half the rate, or less than ten
    periods.
    """
    require_numbers("samples", samples)
    rate = require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    if require_positive("tone_hz", tone_hz, "Hz") >= rate / 2:
        raise WiringError("tone_hz", f"{tone_hz:g} Hz is not below half of {rate:g} Hz")
    if samples.size * tone_hz < 10 * rate:
        raise WiringError("samples", "less than ten periods of the tone are recorded")
    angle = 2 * np.pi * tone_hz / rate * np.arange(samples.size)
    parts = np.stack((np.sin(angle), np.cos(angle), np.ones(samples.size)), axis=1)
    fitted = np.linalg.lstsq(parts, samples, rcond=None)[0]
    rest = samples - parts @ fitted
    power = np.array([np.sum(fitted[:2] ** 2), 2 * np.mean(rest**2)])
    tone, left = level_db(power).tolist()
    return ToneLevel(tone, left)


class ToneHeard(msgspec.Struct, frozen=True):
    """Level of one stretch of the tone signal against a sine at full scale, and what else there
    is."""

    number: int
    level_dbfs: float
    rest_dbfs: float


TONE_EDGE_S: Final = 0.25
"""The car rings in and out so long; a tone is read between."""


def tones_heard(
    spec: SignalSpec, samples: Floats, sample_rate_hz: float
) -> tuple[tuple[ToneHeard, ...], tuple[Fault, ...]]:
    """Level of each stretch of the tone signal, and what is wrong with the recording.

    Raises RecordingError when nothing can be said, WiringError for what is no recording.
    """
    require_numbers("samples", samples)
    if spec.kind != "tone":
        raise WiringError("spec", f"no tone is read from {spec.kind}")
    located = _located(spec, samples, sample_rate_hz)
    clock, found = located.clock_hz, []
    for one in located.stretches:
        begin = located.payload(one, spec)
        first = _at(begin + TONE_EDGE_S * clock)
        own = samples[first : _at(begin + (spec.seconds - TONE_EDGE_S) * clock)]
        if own.size < (spec.seconds - 3 * TONE_EDGE_S) * clock:
            continue
        level = tone_level(own, clock, spec.tone_hz)
        found.append(ToneHeard(one.number, level.level_dbfs, level.rest_dbfs))
    if not found:
        raise RecordingError([faults.no_mark()])
    heard = {one.number for one in found}
    missing = [name for number, name in enumerate(spec.stretches) if number not in heard]
    return tuple(found), (faults.not_heard(missing),) if missing else ()


def _located(spec: SignalSpec, samples: Floats, sample_rate_hz: float) -> Located:
    low = faults.rate_fault(sample_rate_hz)
    seen = [*faults.level_faults(samples), *([low] if low is not None else [])]
    located = locate(spec, samples, sample_rate_hz) if not seen else None
    if located is None:
        raise RecordingError(seen or [faults.no_mark()])
    return located


class ChannelHeard(msgspec.Struct, frozen=True):
    """How loud one named stretch of the channel signal is in a recording, over the background."""

    name: str
    level_dbfs: float
    over_noise_db: float
    heard: bool


def channels_heard(
    spec: SignalSpec, samples: Floats, sample_rate_hz: float
) -> tuple[ChannelHeard, ...]:
    """Which channels of the channel signal are heard, and how loud, from 250 Hz to 3.15 kHz.

    Raises RecordingError when nothing can be said, WiringError for what is no recording.
    """
    require_numbers("samples", samples)
    if spec.kind != "channels":
        raise WiringError("spec", f"channels are not told by {spec.kind}")
    located = _located(spec, samples, sample_rate_hz)
    clock = located.clock_hz
    begins = {
        one.number: located.payload(one, spec) - one.number * spec.period_s * clock
        for one in located.stretches
    }
    begin = float(np.median(list(begins.values())))
    found = []
    for number, name in enumerate(spec.stretches):
        first = begin + number * spec.period_s * clock
        end = first + spec.seconds * clock
        loud = _power(samples[_at(end - spec.seconds * clock / 3) : _at(end)], clock)
        quiet = _power(
            samples[_at(end + RING_S * clock) : _at(end + (TAIL_S - 0.05) * clock)], clock
        )
        level, noise = level_db(np.array([2 * loud, 2 * quiet])).tolist()
        found.append(ChannelHeard(name, level, level - noise, level - noise >= HEARD_DB))
    return tuple(found)


def _at(moment: float) -> int:
    return max(0, round(moment))


def _power(samples: Floats, clock_hz: float) -> float:
    if samples.size < 0.1 * clock_hz:
        return 0.0
    centres = whole_bands_hz(3, CHANNEL_LOW_HZ / 1.13, CHANNEL_HIGH_HZ * 1.13)
    return float(np.sum(power_in_bands(welch(samples, clock_hz, 0.1), centres, 3)))
