"""What is typed: bandwidth against the Cookbook's filter itself, rounding as properties."""

import math

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.optimize import brentq

from wiring.errors import WiringError
from wiring.filters.biquads import section_biquad
from wiring.filters.typing_in import (
    crossover_typed,
    delay_typed,
    nearest,
    octaves_of_q,
    q_of_octaves,
    section_typed,
    setting_typed,
)
from wiring.plan import Crossover, ProcessorLimits, Section, Setting, Slopes, Steps
from wiring.tuning.response import evaluate

LIMITS = ProcessorLimits(
    level_db=Steps(-60, 6, 0.25),
    delay=Steps(0, 20, 0.02),
    sample_rate_hz=48_000.0,
    crossover_hz=Steps(20, 20_000, 1.0),
    slopes=(Slopes("linkwitz_riley", (2, 4)), Slopes("butterworth", (1, 2, 3, 4))),
    section_hz=Steps(20, 20_000, values=tuple(round(1000 * 2 ** (n / 6)) for n in range(-33, 26))),
    gain_db=Steps(-12, 6, 0.5),
    width=Steps(0.3, 10, 0.1),
    section_kinds=("peaking", "low_shelf", "high_shelf"),
    max_sections=2,
)


@pytest.mark.parametrize("q", [0.5, 1.0, 1.414, 4.32, 10.0])
def test_octaves_are_those_between_the_points_of_half_the_gain(q: float) -> None:
    """The points are searched on the Cookbook's analogue peaking filter with scipy.optimize.brentq:
    H(s) = (s^2 + s A / Q + 1) / (s^2 + s / (A Q) + 1)."""
    gain_db = 8.0
    a = 10 ** (gain_db / 40)

    def level(octave: float) -> float:
        s = 1j * 2**octave
        response = (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)
        return 20 * math.log10(abs(response)) - gain_db / 2

    assert octaves_of_q(q) == pytest.approx(2 * brentq(level, 0, 8), rel=1e-6)


def test_the_published_bandwidths_of_q() -> None:
    """W3C Audio EQ Cookbook relation: one octave is Q 1.414, a third 4.318 (ISO 266:1997 bands);
    two octaves 0.667: commonly printed, here from memory."""
    assert q_of_octaves(1.0) == pytest.approx(1.4142, abs=1e-3)
    assert q_of_octaves(1 / 3) == pytest.approx(4.318, abs=2e-3)
    assert q_of_octaves(2.0) == pytest.approx(0.6667, abs=1e-3)


@given(st.floats(0.05, 50))
def test_q_and_octaves_go_both_ways(q: float) -> None:
    assert q_of_octaves(octaves_of_q(q)) == pytest.approx(q)


@pytest.mark.parametrize("gain_db", [6.0, -6.0])
def test_the_quality_of_the_poles_is_the_resonances_own(gain_db: float) -> None:
    """Of the digital section at 100 Hz, 48 kHz: radius and angle of its poles (cut: zeros)."""
    limits = ProcessorLimits(width_counted="pole_q")
    typed = section_typed(limits, Section("peaking", 100.0, gain_db, 2.0))
    b = section_biquad(typed.as_set, 48_000.0)
    own = np.array([1, b.a1, b.a2]) if gain_db > 0 else np.array([b.b0, b.b1, b.b2])
    root = np.log(np.roots(own)[0])
    assert abs(root) / (-2 * root.real) == pytest.approx(typed.width.value, rel=1e-3)
    assert typed.as_set.q == pytest.approx(2.0)


@given(
    st.floats(-50, 50),
    st.floats(0.01, 40),
    st.floats(0.001, 5),
    st.floats(-100, 100),
)
def test_what_is_typed_is_in_range_on_a_step_and_the_nearest(
    low: float, wide: float, step: float, wanted: float
) -> None:
    steps = Steps(low, low + wide, step)
    typed = nearest(steps, wanted)
    assert steps.low - 1e-6 <= typed.value <= steps.high + 1e-6
    count = (typed.value - low) / step
    assert abs(count - round(count)) < 1e-5
    assert typed.residual == pytest.approx(typed.value - wanted)
    last = low + math.floor(wide / step + 1e-9) * step
    if low <= wanted <= last:
        assert abs(typed.residual) <= step / 2 + 1e-6
    assert typed.limited == (not steps.low - 1e-9 <= wanted <= steps.high + 1e-9)


def test_a_list_is_gone_through_by_ratio() -> None:
    steps = Steps(20, 20_000, values=(100.0, 200.0, 400.0))
    assert nearest(steps, 142.0, "Hz", by_ratio=True).value == 200
    assert nearest(steps, 141.0, "Hz", by_ratio=True).value == 100
    assert nearest(steps, 145.0, "Hz").value == 100


@pytest.mark.parametrize(
    ("unit", "steps", "text", "set_ms"),
    [
        ("ms", Steps(0, 20, 0.01), "1.23", 1.23),
        ("samples", Steps(0, 960, 1), "59", 59 / 48),
        ("cm", Steps(0, 500, 1), "42", 42 / 34.3),
        ("in", Steps(0, 200, 0.5), "16.5", 16.5 * 2.54 / 34.3),
        ("ms", None, "1.234", 1.234),
    ],
)
def test_a_delay_is_typed_in_the_programs_own_unit(
    unit: str, steps: Steps | None, text: str, set_ms: float
) -> None:
    """By hand: 1.234 ms x 48 = 59.2 samples, x 34.3 cm/ms = 42.3 cm = 16.66 in."""
    limits = ProcessorLimits(delay=steps, delay_unit=unit, sample_rate_hz=48_000.0)
    typed = delay_typed(limits, 1.234)
    assert typed.typed.text == text
    assert typed.set_ms == pytest.approx(set_ms)
    assert typed.residual_ms == pytest.approx(set_ms - 1.234)


def test_samples_of_an_unknown_rate_are_refused_and_a_delay_ahead_of_time_too() -> None:
    with pytest.raises(WiringError, match="rate"):
        delay_typed(ProcessorLimits(delay_unit="samples"), 1.0)
    with pytest.raises(WiringError, match="before"):
        delay_typed(ProcessorLimits(), -0.01)
    assert delay_typed(ProcessorLimits(), 0.0).set_ms == 0


def test_a_filter_the_processor_has_not_is_told_with_the_nearest() -> None:
    typed = crossover_typed(LIMITS, Crossover("linkwitz_riley", 8, 2_500.4))
    assert typed.as_set == Crossover("linkwitz_riley", 4, 2_500.0)
    assert "Linkwitz-Riley 48 dB/oct" in typed.problem
    assert crossover_typed(LIMITS, Crossover("linkwitz_riley", 4, 2_500.4)).problem == ""
    assert crossover_typed(LIMITS, Crossover("bessel", 3, 80.0)).as_set.family == "butterworth"


def test_a_setting_is_typed_whole_and_what_cannot_be_is_said() -> None:
    setting = Setting(
        high_pass=Crossover("linkwitz_riley", 4, 80.3),
        level_db=-3.1,
        delay_ms=21.0,
        sections=(
            Section("peaking", 1_050.0, -4.2, 2.04),
            Section("notch", 60.0, 0.0, 5.0),
            Section("peaking", 200.0, 8.0, 1.0),
        ),
    )
    typed = setting_typed(LIMITS, setting)
    assert (typed.level.text, typed.delay.typed.text) == ("-3.00", "20.00")
    assert typed.sections[0].as_set == Section("peaking", 1_000.0, -4.0, 2.0)
    assert typed.sections[0].gain.residual == pytest.approx(0.2)
    assert typed.as_set.sections[2].gain_db == 6.0
    said = " ".join(typed.problems)
    for word in ("notch", "delay wanted is 21", "section 3, gain", "has 2 sections"):
        assert word in said
    assert len(typed.problems) == 4
    assert setting_typed(LIMITS, typed.as_set).as_set == typed.as_set
    assert setting_typed(ProcessorLimits(), setting).problems == ()
    assert setting_typed(ProcessorLimits(), setting).as_set == setting


def test_rounding_leaves_a_response_within_half_its_steps() -> None:
    wanted = Section("peaking", 1_000.0, -4.2, 2.04)
    typed = section_typed(LIMITS, wanted)
    grid = np.geomspace(50, 15_000, 200)
    rows = [[section_biquad(one, 48_000.0)] for one in (wanted, typed.as_set)]
    levels = 20 * np.log10(np.abs(evaluate(rows, grid, 48_000.0)))
    assert np.max(np.abs(levels[0] - levels[1])) < 0.26


@pytest.mark.parametrize("bad", [(3.0, 2.0, ()), (0.0, 1.0, (2.0,))])
def test_limits_that_are_none_are_refused(bad: tuple[float, float, tuple[float, ...]]) -> None:
    low, high, values = bad
    with pytest.raises(ValueError, match=r"lowest|outside"):
        Steps(low, high, values=values)


@pytest.mark.parametrize("steps", [Steps(0.0, math.inf), Steps(-math.inf, 1.0)])
def test_limits_that_are_no_number_are_refused(steps: Steps) -> None:
    with pytest.raises(WiringError):
        nearest(steps, 1.0)
    with pytest.raises(WiringError):
        nearest(Steps(0, 1, 0.1), steps.high - steps.low)
