"""Crossover and equaliser filters against published laws, worked values and scipy.signal."""

import math

import numpy as np
import pytest
from scipy import signal

from tests.wiring.plans import setting_response
from wiring.filters import biquads, crossovers
from wiring.filters.crossovers import CrossoverError, Direction
from wiring.plan import Crossover, FilterFamily, Section, Setting
from wiring.tuning import response

GRID = response.log_grid(512)


def db(power: float) -> float:
    return 10 * math.log10(power)


@pytest.mark.parametrize(
    ("order", "expected_db"),
    [(1, -6.9897), (2, -12.3045), (3, -18.1291), (4, -24.0993), (8, -48.1649)],
)
def test_butterworth_an_octave_above_its_corner(order: int, expected_db: float) -> None:
    """S. Butterworth, 1930: |H|^2 = 1 / (1 + r^2n); values computed from it, from memory."""
    assert db(crossovers.power_gain("butterworth", order, 2.0)) == pytest.approx(
        expected_db, abs=5e-4
    )


@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_and_bessel_are_at_half_power_at_the_corner(order: int) -> None:
    """Half power is -3.0103 dB, the definition of the corner used here for both families."""
    for family in ("butterworth", "bessel"):
        assert crossovers.power_gain(family, order, 1.0) == pytest.approx(0.5, rel=1e-9)


@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_linkwitz_riley_is_at_a_quarter_of_the_power_at_the_corner(order: int) -> None:
    """S. Linkwitz, J. Audio Eng. Soc. 24 (1976): two Butterworth filters, -6.0206 dB."""
    assert db(crossovers.power_gain("linkwitz_riley", order, 1.0)) == pytest.approx(
        -6.0206, abs=1e-4
    )


def test_bessel_poles_are_those_of_the_handbook() -> None:
    """Tietze and Schenk, Electronic Circuits, filter coefficients (from memory).

    Factors 1 + a s + b s^2 with the corner at -3 dB: radius = 1 / sqrt(b), q = sqrt(b) / a.
    For order 2 b is (sqrt(5) - 1) / 2 exactly.
    """
    second = crossovers.prototype("bessel", 2)[0]
    assert second.radius**-2 == pytest.approx((math.sqrt(5) - 1) / 2, rel=1e-12)
    factors = [
        (1 / (p.radius * (p.q or 1)), p.radius**-2) for p in crossovers.prototype("bessel", 4)
    ]
    assert factors == [
        pytest.approx((1.3397, 0.4889), abs=1e-4),
        pytest.approx((0.7743, 0.3890), abs=1e-4),
    ]


def test_linkwitz_riley_of_odd_order_is_refused() -> None:
    with pytest.raises(CrossoverError, match="choose 12, 24, 36 or 48"):
        crossovers.prototype("linkwitz_riley", 3)


@pytest.mark.parametrize(("order", "inverted"), [(2, True), (4, False), (6, True), (8, False)])
def test_linkwitz_riley_pairs_sum_flat(order: int, inverted: bool) -> None:
    """Flat at every frequency: orders 2 and 6 with one side inverted, 4 and 8 as they are.

    The other way round they cancel at the corner (Linkwitz 1976; Lipshitz and Vanderkooy,
    J. Audio Eng. Soc. 31, 1983, from memory).
    """
    corner = Crossover("linkwitz_riley", order, 1_000.0)
    low = setting_response(Setting(low_pass=corner), GRID)
    high = setting_response(Setting(high_pass=corner, inverted=inverted), GRID)
    assert np.max(np.abs(response.decibels(low + high))) < 1e-6
    at = setting_response(Setting(low_pass=corner), np.array([1_000.0]))
    against = setting_response(
        Setting(high_pass=corner, inverted=not inverted), np.array([1_000.0])
    )
    assert abs(at + against)[0] < 1e-9


def test_odd_butterworth_pairs_sum_flat_either_way() -> None:
    """A first- or third-order pair is 90 degrees apart at the corner: all-pass either way round."""
    for order in (1, 3):
        corner = Crossover("butterworth", order, 500.0)
        low = setting_response(Setting(low_pass=corner), GRID)
        high = setting_response(Setting(high_pass=corner), GRID)
        for sign in (1, -1):
            assert np.max(np.abs(response.decibels(low + sign * high))) < 1e-6


def test_crossing_of_equal_corners() -> None:
    """Each side is at its corner level there: -6.02 dB, or -3.01 dB for Butterworth."""
    lr, bw = Crossover("linkwitz_riley", 4, 2_500.0), Crossover("butterworth", 2, 2_500.0)
    for filters, level in ((lr, -6.0206), (bw, -3.0103)):
        where = crossovers.crossing((filters,), (filters,))
        assert where is not None
        assert where.frequency_hz == pytest.approx(2_500.0, rel=1e-5)
        assert where.level_db == pytest.approx(level, abs=1e-3)
    assert crossovers.crossing((lr,), ()) is None


SHAPES: list[tuple[FilterFamily, int]] = [
    *(("butterworth", order) for order in range(1, 9)),
    *(("bessel", order) for order in range(1, 9)),
    *(("linkwitz_riley", order) for order in (2, 4, 6, 8)),
]


def scipy_sections(family: str, order: int, corner: float, kind: str, rate: float) -> np.ndarray:
    if family == "bessel":
        return signal.bessel(order, corner, kind, fs=rate, output="sos", norm="mag")
    if family == "butterworth":
        return signal.butter(order, corner, kind, fs=rate, output="sos")
    half = signal.butter(order // 2, corner, kind, fs=rate, output="sos")
    return np.vstack([half, half])


@pytest.mark.parametrize(("family", "order"), SHAPES)
@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 96_000.0])
def test_crossovers_agree_with_scipy(family: FilterFamily, order: int, rate: float) -> None:
    """scipy.signal.butter, bessel (norm mag) and sosfreqz, complex, to 1e-9.

    At 192 kHz and 20 Hz the rounding of double coefficients alone reaches 2e-9, so rates above
    96 kHz are not part of the comparison.
    """
    directions: tuple[tuple[Direction, str], ...] = (("low_pass", "low"), ("high_pass", "high"))
    for direction, kind in directions:
        for corner in (20.0, 80.0, 2_500.0, 15_000.0):
            ours = biquads.crossover_biquads(Crossover(family, order, corner), direction, rate)
            sos = scipy_sections(family, order, corner, kind, rate)
            expected = signal.sosfreqz(sos, GRID, fs=rate)[1]
            got = response.evaluate([ours], GRID, rate)[0]
            assert np.max(np.abs(got - expected)) < 1e-9


def test_many_channels_at_once_agree_with_scipy() -> None:
    """12 channels of 12 sections at 512 frequencies, each kind of section, to 1e-9."""
    kinds = ("peaking", "low_shelf", "high_shelf", "notch", "all_pass", "low_pass", "high_pass")
    random = np.random.default_rng(7)
    stacks = [
        [
            biquads.section_biquad(
                Section(
                    kinds[(row + n) % 7],
                    float(random.uniform(30, 15_000)),
                    float(random.uniform(-12, 12)),
                    float(random.uniform(0.5, 6)),
                ),
                48_000.0,
            )
            for n in range(12 - row % 3)
        ]
        for row in range(12)
    ]
    got = response.evaluate(stacks, GRID, 48_000.0)
    for row, stack in enumerate(stacks):
        sos = np.array([[b.b0, b.b1, b.b2, 1.0, b.a1, b.a2] for b in stack])
        expected = signal.sosfreqz(sos, GRID, fs=48_000.0)[1]
        assert np.max(np.abs(got[row] - expected)) < 1e-9


def test_cookbook_coefficients_of_a_peaking_section() -> None:
    """W3C Audio EQ Cookbook (2021), peakingEQ; worked from its formulas, from memory."""
    got = biquads.section_biquad(Section("peaking", 63.0, -9.0, 4.318), 48_000.0)
    expected = (0.99896735, -1.99673103, 0.99783157, -1.99673103, 0.99679892)
    assert got == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("section", "frequency", "expected_db"),
    [
        # W3C Audio EQ Cookbook: a peaking section has its gain at its centre, and 1 at 0 Hz;
        (Section("peaking", 1_000.0, 6.0, 1.0), 1_000.0, 6.0),
        (Section("peaking", 1_000.0, 6.0, 1.0), 500.0, 1.8794),
        # a shelf half its gain in dB at its corner, and all of it far on its side;
        (Section("low_shelf", 200.0, 6.0, 0.7071), 200.0, 3.0),
        (Section("low_shelf", 200.0, 6.0, 0.7071), 1.0, 6.0),
        (Section("high_shelf", 5_000.0, -8.0, 0.7071), 5_000.0, -4.0),
        (Section("high_shelf", 5_000.0, -8.0, 0.7071), 23_999.0, -8.0),
        # a low-pass and a high-pass their q at the corner;
        (Section("low_pass", 1_000.0, q=2.0), 1_000.0, 20 * math.log10(2)),
        (Section("high_pass", 1_000.0, q=0.7071), 1_000.0, 20 * math.log10(0.7071)),
        # an all-pass 1 everywhere.
        (Section("all_pass", 300.0, q=1.3), 411.0, 0.0),
    ],
)
def test_cookbook_levels(section: Section, frequency: float, expected_db: float) -> None:
    got = setting_response(Setting(sections=(section,)), np.array([frequency]))
    assert response.decibels(got)[0] == pytest.approx(expected_db, abs=1e-3)


def test_a_notch_is_silent_and_an_all_pass_turns_half_a_turn_at_its_centre() -> None:
    at = np.array([800.0])
    notch = setting_response(Setting(sections=(Section("notch", 800.0, q=3.0),)), at)
    turned = setting_response(Setting(sections=(Section("all_pass", 800.0, q=3.0),)), at)
    assert abs(notch[0]) < 1e-9
    assert turned[0] == pytest.approx(-1.0, abs=1e-9)


def _off_scipy_samples(points: int) -> float:
    """How far a curve's group delay is from scipy.signal.group_delay at the most, inside the band.

    A curve takes the slope of its phase by second-order differences, so the distance must fall
    with the square of the spacing.
    """
    stack = [
        biquads.section_biquad(Section("all_pass", 500.0, q=1.0), 48_000.0),
        *biquads.crossover_biquads(Crossover("butterworth", 4, 100.0), "low_pass", 48_000.0),
    ]
    grid = np.geomspace(50, 5_000, points)
    expected = np.zeros(grid.size)
    for b in stack:
        one = ([b.b0, b.b1, b.b2], [1.0, b.a1, b.a2])
        expected += signal.group_delay(one, grid, fs=48_000.0)[1]
    through = response.evaluate([stack], grid, 48_000.0)[0]
    curve = response.Curve("1", "one", "channel", grid, through)
    off = np.abs(curve.group_delay_ms * 48 - expected)[1:-1]
    assert np.isfinite(off).any()
    return float(np.nanmax(off))


def test_group_delay_agrees_with_scipy() -> None:
    """Within 2 microseconds, a tenth of a sample, at the spacing of a plot; then ever closer."""
    plotted, finer = _off_scipy_samples(340), _off_scipy_samples(4 * 340)
    assert plotted < 0.1
    assert finer == pytest.approx(plotted / 16, rel=0.1)


def test_a_corner_above_half_the_rate_is_refused() -> None:
    with pytest.raises(CrossoverError, match="half the sample rate"):
        biquads.crossover_biquads(Crossover("butterworth", 2, 24_000.0), "low_pass", 48_000.0)
    with pytest.raises(CrossoverError, match="half the sample rate"):
        biquads.section_biquad(Section("peaking", 30_000.0, 3.0), 48_000.0)
