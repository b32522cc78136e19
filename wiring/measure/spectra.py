"""Spectra of recordings and their levels in bands of IEC 61260-1:2014 (5.2 to 5.4).

Welch's method: P. D. Welch, "The use of fast Fourier transform for the estimation of power
spectra", IEEE Trans. Audio Electroacoustics AU-15 (1967) 70.
"""

from typing import Final, NamedTuple

import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.measure.lengths import good_length as good_length
from wiring.tuning.arrays import Floats, require_frequencies, require_numbers
from wiring.tuning.measurements import OCTAVE_RATIO, Measurement, band_centres_hz

FLOOR_POWER: Final = 1e-30
WELCH_SOURCE: Final = "Welch, IEEE Trans. Audio Electroacoustics AU-15 (1967) 70"
SEGMENT_S: Final = 0.25


class Spectrum(NamedTuple):
    """Power per hertz over evenly spaced frequencies from 0; `segments` were averaged."""

    frequencies_hz: Floats
    power_per_hz: Floats
    segments: int


def lines_hz(size: int, clock_hz: float) -> Floats:
    """Frequencies of the lines of a real transform of `size` samples [Hz]."""
    require_positive("clock_hz", clock_hz, "Hz")
    return np.asarray(np.fft.rfftfreq(size, 1 / clock_hz), dtype=np.float64)


def welch(samples: Floats, sample_rate_hz: float, segment_s: float = SEGMENT_S) -> Spectrum:
    """Mean power spectrum of overlapping halves under a Hann window, steady part taken out.

    Scaled so that the sum over frequency is the mean square. Raises WiringError on fewer samples
    than one segment, which is shortened to what there is down to 64 samples.
    """
    require_numbers("samples", samples)
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    require_positive("segment_s", segment_s, "s")
    size = min(good_length(round(segment_s * sample_rate_hz)), samples.size)
    if size < 64:
        raise WiringError("samples", f"{samples.size} samples are too few for a spectrum")
    window = np.hanning(size + 1)[:-1]
    hop = size // 2
    rows = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop]
    rows = rows - rows.mean(axis=1, keepdims=True)
    power = np.mean(np.abs(np.fft.rfft(rows * window, axis=1)) ** 2, axis=0)
    power *= 2 / (sample_rate_hz * float(np.sum(window**2)))
    power[0] /= 2
    if size % 2 == 0:
        power[-1] /= 2
    return Spectrum(lines_hz(size, sample_rate_hz), power, rows.shape[0])


def whole_bands_hz(fraction: int, low_hz: float, high_hz: float) -> Floats:
    """Midbands of the standard bands that lie within the limits from edge to edge [Hz]."""
    centres = band_centres_hz(fraction, low_hz, high_hz)
    half = OCTAVE_RATIO ** (1 / (2 * fraction))
    whole = (centres / half >= low_hz * 0.999) & (centres * half <= high_hz * 1.001)
    return np.asarray(centres[whole])


def mean_in_bands(
    frequencies_hz: Floats, power: Floats, centres_hz: Floats, fraction: int
) -> Floats:
    """Mean of a power response in bands, even over log frequency, as pink noise hears it.

    Frequencies are evenly spaced from 0. Raises WiringError.
    """
    _require_even(frequencies_hz, power, centres_hz, fraction)
    half = OCTAVE_RATIO ** (1 / (2 * fraction))
    weight = 1 / np.maximum(frequencies_hz, frequencies_hz[1] / 2)
    edges = np.concatenate((centres_hz / half, centres_hz * half))
    whole = _up_to(frequencies_hz, power * weight, edges)
    share = _up_to(frequencies_hz, weight, edges)
    count = centres_hz.size
    return np.asarray((whole[count:] - whole[:count]) / (share[count:] - share[:count]))


def power_in_bands(spectrum: Spectrum, centres_hz: Floats, fraction: int) -> Floats:
    """Power of a spectrum that lies in each band. Raises WiringError."""
    _require_even(spectrum.frequencies_hz, spectrum.power_per_hz, centres_hz, fraction)
    half = OCTAVE_RATIO ** (1 / (2 * fraction))
    low, high = (
        _up_to(spectrum.frequencies_hz, spectrum.power_per_hz, edges)
        for edges in (centres_hz / half, centres_hz * half)
    )
    return np.asarray(high - low)


def band_levels(
    spectrum: Spectrum, fraction: int = 3, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> Measurement:
    """Level in each standard band [dB, against a mean square of 1]. Raises WiringError."""
    centres = band_centres_hz(fraction, low_hz, high_hz)
    power = power_in_bands(spectrum, centres, fraction)
    return Measurement(centres, level_db(power))


def level_db(power: Floats) -> Floats:
    """Decibels of a power, silence at -300 dB."""
    require_numbers("power", power)
    return np.asarray(10 * np.log10(np.maximum(power, FLOOR_POWER)))


def _require_even(frequencies_hz: Floats, power: Floats, centres_hz: Floats, fraction: int) -> None:
    require_numbers("frequencies_hz", frequencies_hz)
    require_numbers("power", power)
    require_frequencies("centres_hz", centres_hz)
    if fraction < 1:
        raise WiringError("fraction", f"1/{fraction} octave is no band")
    steps = np.diff(frequencies_hz)
    if frequencies_hz.size < 2 or frequencies_hz[0] != 0 or np.ptp(steps) > 1e-6 * steps[0]:
        raise WiringError("frequencies_hz", "frequencies must be evenly spaced from 0")


def _up_to(frequencies_hz: Floats, density: Floats, edges_hz: Floats) -> Floats:
    """Integral of a density from 0 to each edge, each line reaching half-way to the next."""
    step = frequencies_hz[1]
    bounds = np.concatenate(([0.0], frequencies_hz + step / 2))
    widths = np.diff(bounds)
    total = np.concatenate(([0.0], np.cumsum(density * widths)))
    return np.asarray(np.interp(edges_hz, bounds, total))
