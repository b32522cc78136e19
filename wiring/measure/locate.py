"""Where a signal stands in a recording, and how far the player's clock is from the recorder's.

The timing marks are looked for over the whole recording; the pattern of their distances says which
is which. Both marks of a stretch come by the same way from the same speaker, so that their
distance, read from the cross-spectrum of the two, is that of the clocks alone.
"""

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.measure.signals import (
    GAP_S,
    MARK_HIGH_HZ,
    MARK_LOW_HZ,
    MARK_S,
    RATES_HZ,
    SignalSpec,
    mark_at,
    times_s,
)
from wiring.measure.spectra import good_length
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.response import Complexes

MOST_PPM: Final = 1_000.0
"""Two clocks that are not broken are closer than this (quartz: 100 ppm; common practice)."""
STANDS_OUT: Final = 6.0
"""A mark's height over the median about it. Noise alone reaches 4.3 in ten seconds: the square root
of 2 ln n over that of 2 ln 2, n independent values. A sweep, which a mark is a little like all
along, does not stand out of itself."""
_ALONE_S: Final = 0.4
_LEAST_SHARE: Final = 0.001
_APART_S: Final = 0.1
COARSE: Final = 4
_SLACK_S: Final = 0.05
"""How far a mark may be from where the others want it: ways of sound and slow clocks."""
_MARGIN_S: Final = 0.15
_CHUNK_S: Final = 10.0
_MOST_PEAKS: Final = 96


class Stretch(NamedTuple):
    """One playing of a signal in a recording.

    `begin` and `end` are the samples at which its marks begin, None where a mark was not found.
    `ratio` is recorder seconds per player second, 1 where it is not known.
    """

    number: int
    begin: float | None
    end: float | None


class Located(NamedTuple):
    """Where a signal's stretches are, and `drift_ppm` by which the recorder's clock is fast
    against the player's; None where no stretch has both marks. `marks` were found of `wanted`."""

    stretches: tuple[Stretch, ...]
    drift_ppm: float | None
    marks: int
    wanted: int
    sample_rate_hz: float

    @property
    def clock_hz(self) -> float:
        """Samples of the recording in one second of the player."""
        return self.sample_rate_hz * (1 + (self.drift_ppm or 0.0) / 1e6)

    def payload(self, stretch: Stretch, spec: SignalSpec) -> float:
        """The sample at which what is measured with begins, by the nearest mark."""
        if stretch.begin is not None:
            return stretch.begin + (MARK_S + GAP_S) * self.clock_hz
        assert stretch.end is not None
        return stretch.end - (spec.stretch_s - MARK_S - GAP_S) * self.clock_hz


class Peak(NamedTuple):
    """A moment at which a mark may begin [samples], and how far it stands out."""

    at: float
    height: float


def locate(spec: SignalSpec, samples: Floats, sample_rate_hz: float) -> Located | None:
    """Find a signal in a recording, None when no mark stands out of it. Raises WiringError."""
    require_numbers("samples", samples)
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    if samples.ndim != 1:
        raise WiringError("samples", "one channel at a time")
    peaks = find_marks(samples, sample_rate_hz)
    if not peaks:
        return None
    begin = _laid_over(spec, samples, sample_rate_hz, peaks)
    stretches = []
    for number in range(len(spec.stretches)):
        first = begin + number * spec.period_s * sample_rate_hz
        second = first + spec.stretch_s * sample_rate_hz
        pair = (_near(peaks, first, sample_rate_hz), _near(peaks, second, sample_rate_hz))
        if pair != (None, None):
            stretches.append(Stretch(number, *pair))
    if not stretches:
        return None
    marks = sum((each.begin is not None) + (each.end is not None) for each in stretches)
    finer, drift = _drift(spec, samples, sample_rate_hz, stretches)
    return Located(tuple(finer), drift, marks, 2 * len(spec.stretches), sample_rate_hz)


def find_marks(samples: Floats, clock_hz: float) -> list[Peak]:
    """Moments at which a mark may begin, the highest first. Raises WiringError."""
    require_numbers("samples", samples)
    length = times_s(MARK_S, clock_hz).size
    chunk = round(_CHUNK_S * clock_hz)
    peaks: list[Peak] = []
    for first in range(0, max(1, samples.size - length // 2), chunk):
        own = samples[first : first + chunk + length]
        peaks += [Peak(first + one.at, one.height) for one in _peaks(own, clock_hz)]
    peaks.sort(key=lambda one: -one.height)
    kept: list[Peak] = []
    for one in peaks:
        if all(abs(one.at - other.at) > _APART_S * clock_hz for other in kept):
            kept.append(one)
    return kept[:_MOST_PEAKS]


def matched(samples: Floats, template: Floats) -> Floats:
    """Envelope of the correlation with a template that begins at every COARSE-th sample.

    From the lower part of the band, which is enough to find something by. Raises WiringError.
    """
    require_numbers("samples", samples)
    require_numbers("template", template)
    size = _size(samples.size + template.size)
    return _envelope(samples, np.fft.rfft(template, size)[: size // COARSE], size)


def _size(count: int) -> int:
    return COARSE * good_length(math.ceil(count / COARSE))


def _envelope(samples: Floats, template: Complexes, size: int) -> Floats:
    line = np.fft.rfft(samples, size)[: template.size] * np.conj(template)
    return np.asarray(np.abs(np.fft.ifft(line)))[: math.ceil(samples.size / COARSE)]


@lru_cache(maxsize=8)
def _mark_spectrum(clock_hz: float, size: int) -> Complexes:
    """The lower part of the mark's spectrum: the same for every recording of one length."""
    return np.fft.rfft(mark_at(times_s(MARK_S, clock_hz)), size)[: size // COARSE].copy()


def _peaks(samples: Floats, clock_hz: float) -> list[Peak]:
    size = _size(samples.size + math.ceil(MARK_S * clock_hz))
    heights = _envelope(samples, _mark_spectrum(clock_hz, size), size)
    near = round(_APART_S * clock_hz / COARSE)
    wide = round(_ALONE_S * clock_hz / COARSE)
    found: list[Peak] = []
    for first in range(0, heights.size, near):
        own = heights[first : first + near]
        at = first + int(np.argmax(own))
        if heights[at] < np.max(heights[max(0, at - near // 2) : at + near // 2]):
            continue
        around = float(np.median(heights[max(0, at - wide) : at + wide]))
        if heights[at] > STANDS_OUT * around:
            found.append(Peak(float(at * COARSE), float(heights[at])))
    least = _LEAST_SHARE * max((one.height for one in found), default=0.0)
    return [one for one in found if one.height >= least]


def _laid_over(spec: SignalSpec, samples: Floats, rate: float, peaks: list[Peak]) -> float:
    """The beginning of the first mark that most peaks agree with [samples]."""
    offsets = [
        number * spec.period_s * rate + shift * rate
        for number in range(len(spec.stretches))
        for shift in (0.0, spec.stretch_s)
    ]
    laid: list[_Laid] = []
    for one in peaks:
        for offset in offsets:
            begin = one.at - offset
            moments = [begin + each for each in offsets]
            heights = [_height(peaks, each, rate) for each in moments]
            marks = sum(each > 0 for each in heights)
            inside = sum(0 <= each < samples.size for each in moments)
            laid.append(_Laid(marks, inside, sum(math.sqrt(each) for each in heights), begin))
    most = max(one.marks for one in laid)
    best = [one for one in laid if one.marks == most]
    if most == 1:
        return max(best, key=lambda one: _energy(spec, samples, rate, one.begin)).begin
    return max(best).begin


class _Laid(NamedTuple):
    """One way of laying a signal over a recording: marks found, marks that could have been, how
    high they are, and where the first would begin [samples]."""

    marks: int
    inside: int
    height: float
    begin: float


def _energy(spec: SignalSpec, samples: Floats, rate: float, begin: float) -> float:
    """With one mark alone: what there is where what is measured with would have to be."""
    first = begin + (MARK_S + GAP_S) * rate
    own = samples[max(0, round(first)) : max(0, round(first + spec.payload_s * rate))]
    return float(np.sum(own**2))


def _height(peaks: list[Peak], wanted: float, rate: float) -> float:
    near = [one.height for one in peaks if abs(one.at - wanted) <= _SLACK_S * rate]
    return max(near, default=0.0)


def _near(peaks: list[Peak], wanted: float, rate: float) -> float | None:
    near = [one for one in peaks if abs(one.at - wanted) <= _SLACK_S * rate]
    return max(near, key=lambda one: one.height).at if near else None


def _drift(
    spec: SignalSpec, samples: Floats, rate: float, stretches: list[Stretch]
) -> tuple[list[Stretch], float | None]:
    """The stretches with their second marks placed to a part of a sample, and the drift [ppm]."""
    finer, ratios, weights = [], [], []
    for each in stretches:
        if each.begin is None or each.end is None:
            finer.append(each)
            continue
        later = lag(_around(samples, each.begin, rate), _around(samples, each.end, rate), rate)
        apart = each.end - each.begin + later.samples
        weights.append(later.width_hz**2)
        finer.append(each._replace(end=each.begin + apart))
        ratios.append(apart / (spec.stretch_s * rate))
    if not ratios:
        return finer, None
    return finer, (float(np.average(ratios, weights=weights)) - 1) * 1e6


def _around(samples: Floats, begin: float, rate: float) -> Floats:
    """A mark with the margins about it, silence where the recording has none."""
    first = round(begin - _MARGIN_S * rate)
    last = round(begin + (MARK_S + _MARGIN_S) * rate)
    own = np.zeros(last - first)
    low, high = max(0, first), min(samples.size, last)
    if high > low:
        own[low - first : high - first] = samples[low:high]
    edge = np.clip(np.minimum(np.arange(own.size), np.arange(own.size)[::-1]) / (0.05 * rate), 0, 1)
    return np.asarray(own * edge)


class Lag(NamedTuple):
    """By how many samples the second of two like sounds comes later than the first, and how wide
    a band it was read from [Hz, RMS]: the wider, the finer."""

    samples: float
    width_hz: float


def lag(earlier: Floats, later: Floats, clock_hz: float) -> Lag:
    """How much later the second of two like sounds is, within half the sounds' length.

    The moment at which the cross-spectrum, weighted by itself, agrees best. Raises WiringError on
    what is no number or on silence.
    """
    require_numbers("earlier", earlier)
    require_numbers("later", later)
    require_positive("clock_hz", clock_hz, "Hz")
    size = good_length(earlier.size + later.size)
    cross = np.fft.rfft(later, size) * np.conj(np.fft.rfft(earlier, size))
    frequencies = np.fft.rfftfreq(size, 1 / clock_hz)
    cross[(frequencies < MARK_LOW_HZ) | (frequencies > MARK_HIGH_HZ)] = 0
    together = np.fft.irfft(cross, size)
    reach = min(earlier.size, later.size) // 2
    order = np.arange(-reach, reach)
    best = float(order[np.argmax(together[order % size])])
    turn = 2 * np.pi * np.arange(cross.size) / size
    total = float(np.sum(np.abs(cross) * turn**2))
    if total == 0:
        raise WiringError("earlier", "there is silence only")
    for _ in range(6):
        left = cross * np.exp(1j * turn * best)
        slope = float(np.sum(np.imag(left) * turn))
        bend = float(np.sum(np.real(left) * turn**2))
        if bend <= 0:
            break
        best -= max(-0.5, min(0.5, slope / bend))
    width = math.sqrt(total / float(np.sum(np.abs(cross)))) * clock_hz / (2 * np.pi)
    return Lag(best, width)


def true_rate_hz(spec: SignalSpec, samples: Floats, sample_rate_hz: float) -> float | None:
    """The clock at which a recording fits its signal when it is none near the stated one [Hz].

    Tried are the common rates. Raises WiringError.
    """
    require_numbers("samples", samples)
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    best: tuple[float, float] | None = None
    for rate in RATES_HZ:
        if abs(rate / sample_rate_hz - 1) < MOST_PPM / 1e6:
            continue
        found = locate(spec, samples, rate)
        if found is None or found.drift_ppm is None or abs(found.drift_ppm) > MOST_PPM:
            continue
        if best is None or found.marks > best[1]:
            best = (rate, found.marks)
    return best[0] if best else None
