"""Bands against IEC 61260-1 and scipy.signal, Welch's method against scipy.signal.welch."""

import math

import numpy as np
import pytest
from scipy import signal as scipy_signal

from wiring.errors import WiringError
from wiring.measure.spectra import (
    Spectrum,
    band_levels,
    good_length,
    mean_in_bands,
    power_in_bands,
    welch,
)
from wiring.tuning.measurements import band_centres_hz

RATE_HZ = 48_000.0
NOISE = np.random.default_rng(8).normal(0, 0.1, 480_000)


def test_a_length_is_the_next_without_large_factors() -> None:
    smooth = sorted(2**a * 3**b * 5**c for a in range(13) for b in range(8) for c in range(6))
    for least in (1, 2, 7, 11, 13, 97, 1_000, 1_025, 4_097):
        assert good_length(least) == next(one for one in smooth if one >= least)
    assert good_length(7**6) >= 7**6
    with pytest.raises(WiringError):
        good_length(0)


def test_the_spectrum_is_scipys() -> None:
    """scipy.signal.welch, Hann window, halves overlapping, mean taken out."""
    ours = welch(NOISE, RATE_HZ, 0.25)
    lines, theirs = scipy_signal.welch(NOISE, RATE_HZ, nperseg=12_000)
    assert ours.frequencies_hz == pytest.approx(lines)
    assert ours.power_per_hz == pytest.approx(theirs, rel=1e-9, abs=1e-15)
    assert ours.segments == 79
    total = np.sum(ours.power_per_hz) * lines[1]
    assert total == pytest.approx(np.var(NOISE), rel=0.01)


@pytest.mark.parametrize("fraction", [1, 3, 6])
def test_bands_of_noise_are_those_of_a_band_filter(fraction: int) -> None:
    """Sixth-order Butterworth band-pass of scipy.signal, its own noise bandwidth made up for."""
    centres = band_centres_hz(fraction, 500.0, 2_000.0)
    ours = power_in_bands(welch(NOISE, RATE_HZ, 0.5), centres, fraction)
    half = 10 ** (0.15 / fraction)
    for centre, power in zip(centres, ours, strict=True):
        edges = [centre / half, centre * half]
        sos = scipy_signal.butter(6, edges, "band", fs=RATE_HZ, output="sos")
        theirs = np.mean(scipy_signal.sosfilt(sos, NOISE)[4_800:] ** 2)
        w, h = scipy_signal.sosfreqz(sos, 65_536, fs=RATE_HZ)
        width = np.sum(np.abs(h) ** 2) * w[1] / (edges[1] - edges[0])
        assert 10 * math.log10(power / (theirs / width)) == pytest.approx(
            0, abs=0.5 / fraction**-0.5
        )


LIMITS_DB = (
    (0.0, -0.4, 0.4), (1 / 8, -0.4, 0.5), (1 / 4, -0.4, 0.7), (3 / 8, -0.4, 1.4),
    (1.0, 16.6, math.inf), (2.0, 40.5, math.inf), (3.0, 60.0, math.inf), (4.0, 70.0, math.inf),
)  # fmt: skip
"""IEC 61260-1:2014, Table 1, class 1, from memory: exponent of G from the midband of an octave
filter, least and greatest relative attenuation."""


@pytest.mark.parametrize("fraction", [1, 3])
def test_a_tone_is_attenuated_within_class_1(fraction: int) -> None:
    """IEC 61260-1:2014, 5.10, from memory: for 1/b octave the breakpoint G^x goes to
    1 + (G^(1/2b) - 1) / (G^(1/2) - 1) (G^x - 1) above the midband, and its inverse below."""
    centre = 1_000.0
    big = 10**0.3
    times = np.arange(480_000) / RATE_HZ
    for exponent, least, most in LIMITS_DB:
        up = 1 + (big ** (1 / (2 * fraction)) - 1) / (big**0.5 - 1) * (big**exponent - 1)
        for hz in (centre * up, centre / up):
            tone = np.sqrt(2) * np.sin(2 * np.pi * hz * times)
            power = power_in_bands(welch(tone, RATE_HZ, 1.0), np.array([centre]), fraction)
            attenuation = -10 * math.log10(max(float(power[0]), 1e-12))
            assert least <= attenuation <= most


def test_bands_next_to_each_other_leave_nothing_out() -> None:
    spectrum = welch(NOISE, RATE_HZ)
    centres = band_centres_hz(3, 100.0, 10_000.0)
    half = 10**0.05
    inside = (spectrum.frequencies_hz > centres[0] / half) & (
        spectrum.frequencies_hz < centres[-1] * half
    )
    total = np.sum(spectrum.power_per_hz[inside]) * spectrum.frequencies_hz[1]
    assert np.sum(power_in_bands(spectrum, centres, 3)) == pytest.approx(total, rel=0.005)
    levels = band_levels(spectrum, 3, 100.0, 10_000.0)
    assert np.sum(10 ** (levels.levels_db / 10)) == pytest.approx(total, rel=0.005)


def test_the_mean_of_a_response_is_even_over_log_frequency() -> None:
    """|H|^2 = f over a band from f1 to f2: (f2 - f1) / ln(f2 / f1)."""
    lines = np.arange(24_001.0)
    for centre in (100.0, 1_000.0, 10_000.0):
        low, high = centre * 10**-0.05, centre * 10**0.05
        mean = mean_in_bands(lines, lines.copy(), np.array([centre]), 3)[0]
        assert mean == pytest.approx((high - low) / math.log(high / low), rel=2e-3)


def test_lines_that_are_uneven_are_refused() -> None:
    lines = np.array([0.0, 1.0, 2.0, 3.5])
    with pytest.raises(WiringError, match="evenly"):
        mean_in_bands(lines, lines, np.array([1.0]), 3)
    with pytest.raises(WiringError, match="too few"):
        welch(np.zeros(63), RATE_HZ)
    assert welch(np.zeros(64), RATE_HZ).segments == 1
    with pytest.raises(WiringError, match="evenly"):
        power_in_bands(Spectrum(lines + 1, lines, 1), np.array([1.0]), 3)
