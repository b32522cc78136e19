"""Bands, smoothing, the speed of sound, delays and voltages against their standards."""

import math

import numpy as np
import pytest

from wiring.channels import levels
from wiring.errors import WiringError
from wiring.tuning import alignment, measurements
from wiring.tuning.alignment import Seat
from wiring.tuning.measurements import Measurement

FRACTIONS = (1, 2, 3, 6, 12, 24, 48)


@pytest.mark.parametrize(
    ("nominal", "exact"),
    # IEC 61260-1:2014, base-ten midbands: 63.096 computed (10^1.8); 630.96, 1258.9 and 1584.9 as
    # read in a discussion of IEC 1260:1995 (the base-two values beside them are 1259.9 and 1587.4).
    [(63.0, 63.096), (630.0, 630.96), (1_250.0, 1_258.9), (1_600.0, 1_584.9)],
)
def test_third_octave_midbands(nominal: float, exact: float) -> None:
    centres = measurements.band_centres_hz(3)
    index = int(np.argmin(np.abs(centres - exact)))
    assert centres[index] == pytest.approx(exact, rel=1e-4)
    assert measurements.nominal_hz(float(centres[index])) == nominal


def test_third_octaves_of_the_audible_range() -> None:
    """ISO 266:1997: 31 preferred third octaves from 20 Hz to 20 kHz."""
    names = [measurements.nominal_hz(float(each)) for each in measurements.band_centres_hz(3)]
    assert len(names) == 31
    assert (names[0], names[17], names[30]) == (20.0, 1_000.0, 20_000.0)


def test_octave_ratio_and_even_fractions() -> None:
    """IEC 61260-1: G = 10^0.3 = 1.99526; even fractions lie half a band beside 1 kHz."""
    assert pytest.approx(1.99526, abs=1e-5) == measurements.OCTAVE_RATIO
    halves = measurements.band_centres_hz(2, 500, 2_000)
    assert halves[np.argmin(np.abs(halves - 1_189))] == pytest.approx(
        1_000 * 10 ** (0.3 / 4), rel=1e-12
    )
    for fraction in FRACTIONS:
        centres = measurements.band_centres_hz(fraction)
        assert np.diff(np.log(centres)) == pytest.approx(math.log(10) * 0.3 / fraction)


def test_smoothing_keeps_power() -> None:
    """A level response stays; a line spread over a band has its power times its share of the band.

    One raised point between two at spacing d is a triangle of area d; a band of width b wide
    enough to hold it has the mean 1 + (p - 1) d / b.
    """
    grid = np.geomspace(20, 20_000, 2_001)
    flat = Measurement(grid, np.full(grid.size, -3.0))
    for fraction in FRACTIONS:
        assert measurements.smooth(flat, fraction).levels_db == pytest.approx(-3.0)
    spiked = np.zeros(grid.size)
    spiked[1_000] = 20.0
    third = measurements.smooth(Measurement(grid, spiked), 3, grid[1_000:1_001])
    spacing, band = math.log(1_000) / 2_000, 0.3 * math.log(10) / 3
    expected = 10 * math.log10(1 + 99 * spacing / band)
    assert third.levels_db[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("air_c", "speed"),
    # ISO 9613-1:1993, c = 343.2 sqrt(T / 293.15) m/s (formula read in the documentation of a
    # reference library; values computed from it).
    [(-10.0, 325.17), (0.0, 331.29), (20.0, 343.2), (35.0, 351.87), (40.0, 354.71)],
)
def test_speed_of_sound(air_c: float, speed: float) -> None:
    assert alignment.speed_of_sound_m_s(air_c) == pytest.approx(speed, abs=0.01)


@pytest.mark.parametrize(("air_c", "speed"), [(-40.0, 306.2), (20.0, 343.3), (40.0, 354.7)])
def test_speed_of_sound_against_a_table_of_dry_air(air_c: float, speed: float) -> None:
    """An engineering table of dry air, seen in excerpt; it rounds to 0.1 and differs by 0.15."""
    assert alignment.speed_of_sound_m_s(air_c) == pytest.approx(speed, abs=0.2)


# O. Cramer, "The variation of the specific heat ratio and the speed of sound in air with
# temperature, pressure, humidity, and CO2 concentration", J. Acoust. Soc. Am. 93 (1993) 2510,
# equation 15 and Table III, from memory; for 0 to 30 degC.
CRAMER = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def cramer_m_s(t: float, xw: float, p: float = 101_325.0, xc: float = 0.0004) -> float:
    a = CRAMER
    return (
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * xw
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * xc
        + a[12] * xw**2 + a[13] * p**2 + a[14] * xc**2 + a[15] * xw * p * xc
    )  # fmt: skip


@pytest.mark.parametrize("air_c", [0.0, 10.0, 20.0, 30.0])
@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
def test_humid_air_against_the_published_equation(air_c: float, humidity: float) -> None:
    """Within 0.05 %; the vapour's part is from the saturation pressure of Tetens (1930): 611 Pa x
    exp(17.27 t / (t + 237.3)), another formula than the one under test."""
    vapour = humidity * 610.78 * math.exp(17.27 * air_c / (air_c + 237.3)) / 101_325
    speed = alignment.speed_of_sound_m_s(air_c, humidity)
    assert speed == pytest.approx(cramer_m_s(air_c, vapour), rel=5e-4)


def test_what_humidity_may_change_is_told_with_the_delays() -> None:
    """From -10 to 50 degC: 0.04 % to 2.0 %; at 20 degC 0.37 %, 5 mm in a way of 1.5 m."""
    told = [alignment.humid_fraction(air_c) for air_c in (-10.0, 20.0, 50.0)]
    assert told == pytest.approx([0.0004, 0.0037, 0.0201], abs=2e-4)
    seats = (Seat("driver", {"near": 1.0, "far": 2.0}),)
    assert alignment.align(seats, 20.0).humid_fraction == pytest.approx(told[1])
    assert alignment.align(seats, 20.0, humidity=1.0).humid_fraction == 0.0


def test_speed_of_sound_outside_its_range_is_refused() -> None:
    with pytest.raises(WiringError, match="air_c"):
        alignment.speed_of_sound_m_s(80.0)


def test_a_metre_of_difference_is_2_914_ms() -> None:
    """1 m / 343.2 m/s = 2.9138 ms; at 48 kHz 139.86 samples, set to 140."""
    done = alignment.align(
        (Seat("driver", {"near": 1.0, "far": 2.0}),), 20.0, sample_rate_hz=48_000.0
    )
    near, far = done.delays
    assert near.exact_ms == pytest.approx(2.9138, abs=1e-4)
    assert (near.steps, near.samples) == (140, 140.0)
    assert near.set_ms == pytest.approx(140 / 48)
    assert near.residual_ms == pytest.approx(near.set_ms - near.exact_ms)
    assert near.cm == pytest.approx(near.set_ms * 34.32)
    assert far.set_ms == 0.0
    assert done.seats[0].spread_ms == pytest.approx(abs(near.residual_ms))


@pytest.mark.parametrize(
    ("power", "load", "volts"),
    # U = sqrt(P R): Joule's law, worked by hand.
    [(100.0, 4.0, 20.0), (50.0, 2.0, 10.0), (75.0, 4.0, 17.3205), (500.0, 2.0, 31.6228)],
)
def test_target_voltage(power: float, load: float, volts: float) -> None:
    assert levels.target_voltage_v(power, load) == pytest.approx(volts, abs=1e-4)
    assert levels.power_w(volts, load) == pytest.approx(power, rel=1e-5)


def test_tone_and_overlap() -> None:
    """A tone as far under full scale as the overlap shows the rated voltage; 6.02 dB less, half."""
    assert levels.tone_target_v(20.0, -10.0, 10.0) == pytest.approx(20.0)
    assert levels.tone_target_v(20.0, -10.0 - 20 * math.log10(2), 10.0) == pytest.approx(10.0)
    assert levels.full_scale_v(1.0, -20.0) == pytest.approx(10.0)
    assert levels.sensitivity_v(10.0, 20.0) == pytest.approx(1.0)
    with pytest.raises(WiringError, match="overdrives"):
        levels.tone_target_v(20.0, 0.0, 10.0)
