"""Several takes or seats as one, and noise averaged over a microphone that moves."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from wiring.errors import WiringError
from wiring.measure import faults
from wiring.measure.calibration import Calibration
from wiring.measure.faults import Fault, RecordingError
from wiring.measure.locate import locate
from wiring.measure.signals import RING_S, SINE_CREST_DB, TAIL_S, SignalSpec
from wiring.measure.spectra import (
    WELCH_SOURCE,
    Spectrum,
    level_db,
    mean_in_bands,
    power_in_bands,
    welch,
    whole_bands_hz,
)
from wiring.measure.take import Polarity, Take
from wiring.tuning.arrays import Floats, require_numbers, shares
from wiring.tuning.measurements import (
    OCTAVE_RATIO,
    Measurement,
    nominal_hz,
)

DIFFER_DB: Final = 2.0
"""Takes of one speaker with the microphone left standing differ by less in third octaves from
DIFFER_LOW_HZ to DIFFER_HIGH_HZ (common practice, no source)."""
DIFFER_LOW_HZ: Final = 100.0
DIFFER_HIGH_HZ: Final = 8_000.0
FINE: Final = 6
SEGMENT_S: Final = 0.5
_EDGE_S: Final = 0.1


@dataclass(frozen=True)
class Average:
    """Several takes as one: mean power, mean arrival, and what they agree on.

    `arrival_ms` is None unless all have one; `spread_ms` is from the first to the last of them.
    """

    measured: Measurement
    thirds: Measurement
    arrival_ms: float | None
    spread_ms: float
    polarity: Polarity
    count: int
    faults: tuple[Fault, ...]


def average_takes(
    takes: Sequence[Take], weights: Sequence[float] = (), one_place: bool = True
) -> Average:
    """Mean power of takes, each counting by its weight. Raises WiringError on none, or on weights
    that do not match.

    With `one_place` they are of one microphone position, and are told where they differ; seats
    differ by right.
    """
    parts = shares(len(takes), weights)
    first = takes[0]
    for one in takes[1:]:
        if one.thirds.frequencies_hz.size != first.thirds.frequencies_hz.size:
            raise WiringError("takes", "they were measured with different signals")
    arrivals = [one.arrival_ms for one in takes if one.arrival_ms is not None]
    whole = len(arrivals) == len(takes)
    found: tuple[Fault, ...] = ()
    if one_place and len(takes) > 1:
        found = _differ([one.thirds for one in takes])
    told = {one.polarity for one in takes}
    return Average(
        _mean([one.measured for one in takes], parts),
        _mean([one.thirds for one in takes], parts),
        float(np.dot(parts, arrivals)) if whole else None,
        max(arrivals) - min(arrivals) if whole else 0.0,
        first.polarity if len(told) == 1 else "unclear",
        len(takes),
        found,
    )


def _mean(curves: Sequence[Measurement], parts: Floats) -> Measurement:
    power = np.stack([10 ** (one.levels_db / 10) for one in curves])
    return Measurement(curves[0].frequencies_hz, level_db(parts @ power), "average")


def _differ(curves: Sequence[Measurement]) -> tuple[Fault, ...]:
    levels = np.stack([one.levels_db for one in curves])
    hz = curves[0].frequencies_hz
    loud = np.max(levels, axis=0) > np.max(levels) - 20
    inside = loud & (hz >= DIFFER_LOW_HZ / 1.01) & (hz <= DIFFER_HIGH_HZ * 1.01)
    if not inside.any():
        return ()
    apart = np.where(inside, np.ptp(levels, axis=0), 0.0)
    worst = int(np.argmax(apart))
    if apart[worst] <= DIFFER_DB:
        return ()
    return (faults.takes_differ(float(apart[worst]), nominal_hz(float(hz[worst]))),)


@dataclass(frozen=True)
class NoiseAverage:
    """What noise says of all speakers that play, over the places a microphone went through.

    Levels are those of the recording against the signal [dB]; `segments` were averaged.
    """

    measured: Measurement
    thirds: Measurement
    noise: Measurement | None
    over_noise: Measurement | None
    segments: int
    faults: tuple[Fault, ...]
    source: str = WELCH_SOURCE


def analyse_noise(
    spec: SignalSpec,
    samples: Floats,
    sample_rate_hz: float,
    calibration: Calibration | None = None,
) -> NoiseAverage:
    """Mean response under pink noise by Welch's method, for a microphone that is moved.

    Raises RecordingError when nothing can be said, WiringError for what is no recording.
    """
    require_numbers("samples", samples)
    if spec.kind != "pink":
        raise WiringError("spec", f"noise is not averaged from {spec.kind}")
    seen = [*faults.level_faults(samples)]
    low = faults.rate_fault(sample_rate_hz)
    seen += [low] if low is not None else []
    located = locate(spec, samples, sample_rate_hz) if not seen else None
    if not seen and located is None:
        seen = [faults.no_mark()]
    if located is None:
        raise RecordingError(seen)
    begin = located.payload(located.stretches[0], spec) / located.clock_hz
    end = begin + spec.seconds
    inside = _slice(samples, sample_rate_hz, begin + _EDGE_S, end - _EDGE_S)
    if inside.size < 2 * SEGMENT_S * sample_rate_hz:
        raise RecordingError([faults.ends_early(end - samples.size / sample_rate_hz)])
    heard = welch(inside, sample_rate_hz, SEGMENT_S)
    quiet = _slice(samples, sample_rate_hz, end + RING_S, end + TAIL_S - 0.05)
    background = None
    if quiet.size >= SEGMENT_S * sample_rate_hz:
        background = welch(quiet, sample_rate_hz, SEGMENT_S)
    bounds = (max(20.0, spec.usable_hz[0]), min(20_000.0, spec.usable_hz[1]))
    thirds = _response(heard, spec, 3, bounds, calibration)
    over = None
    if background is not None:
        over = _over(heard, background, bounds)
        noisy = faults.noisy_bands(over, *bounds)
        seen += [noisy] if noisy is not None else []
    else:
        seen.append(faults.noise_unknown())
    return NoiseAverage(
        _response(heard, spec, FINE, bounds, calibration),
        thirds,
        _levels(background, bounds) if background is not None else None,
        over,
        heard.segments,
        tuple(seen),
    )


def _slice(samples: Floats, rate: float, from_s: float, to_s: float) -> Floats:
    return np.asarray(samples[max(0, round(from_s * rate)) : max(0, round(to_s * rate))])


def _response(
    heard: Spectrum,
    spec: SignalSpec,
    fraction: int,
    bounds: tuple[float, float],
    calibration: Calibration | None,
) -> Measurement:
    """Power heard over power played in each band, without what the microphone adds.

    Pink noise has the same power in each octave of its band.
    """
    centres = whole_bands_hz(fraction, *bounds)
    ours = power_in_bands(heard, centres, fraction)
    low, high = spec.usable_hz
    share = math.log(OCTAVE_RATIO) / fraction / math.log(high / low)
    levels = level_db(ours) - (spec.level_dbfs - SINE_CREST_DB + 10 * math.log10(share))
    if calibration is not None:
        lines = heard.frequencies_hz
        added = 10 ** (calibration.at(lines) / 10)
        levels = levels - level_db(mean_in_bands(lines, added, centres, fraction))
    return Measurement(centres, levels)


def _levels(spectrum: Spectrum, bounds: tuple[float, float]) -> Measurement:
    centres = whole_bands_hz(3, *bounds)
    return Measurement(centres, level_db(power_in_bands(spectrum, centres, 3)), "noise")


def _over(heard: Spectrum, background: Spectrum, bounds: tuple[float, float]) -> Measurement:
    ours, theirs = _levels(heard, bounds), _levels(background, bounds)
    return Measurement(ours.frequencies_hz, ours.levels_db - theirs.levels_db, "over noise")
