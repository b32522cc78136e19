"""What follows from takes: averages, calibrations, delays, polarities, levels and one verdict."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from tests.wiring.measure.cabins import FULL, RATE_HZ, Driver, heard, microphone, played, recorded
from wiring.errors import WiringError
from wiring.measure.averages import analyse_noise, average_takes
from wiring.measure.calibration import read_calibration
from wiring.measure.faults import RecordingError
from wiring.measure.proposals import judge_polarity, match_levels, propose_delays
from wiring.measure.signals import GAP_S, LEAD_S, MARK_S, SignalSpec
from wiring.measure.take import Take, analyse
from wiring.measure.tolerance import judge_tolerance
from wiring.tuning.measurements import Measurement, MeasurementError

SPEC = SignalSpec(channels=1)
GRID = np.geomspace(50, 16_000, 400)


@cache
def take() -> Take:
    return analyse(SPEC, recorded(SPEC, [FULL]), RATE_HZ).takes[0]


def louder(one: Take, by_db: np.ndarray | float) -> Take:
    curves = {
        name: Measurement(own.frequencies_hz, own.levels_db + by_db)
        for name, own in (("thirds", one.thirds),)
    }
    return replace(one, **curves)


def test_takes_are_averaged_by_power() -> None:
    """Two levels 6.02 dB apart: the mean of powers 1 and 4 is 2.5, 3.98 dB over the first."""
    first = replace(take(), arrival_ms=1.0)
    second = replace(louder(take(), 20 * math.log10(2)), arrival_ms=1.1)
    both = average_takes([first, second], one_place=False)
    assert both.thirds.levels_db - first.thirds.levels_db == pytest.approx(3.979, abs=1e-3)
    assert both.arrival_ms == pytest.approx(1.05)
    assert both.spread_ms == pytest.approx(0.1)
    weighed = average_takes([first, second], (3.0, 1.0), one_place=False)
    assert weighed.thirds.levels_db - first.thirds.levels_db == pytest.approx(
        10 * math.log10(7 / 4), abs=1e-3
    )
    assert average_takes([first, replace(second, arrival_ms=None)]).arrival_ms is None
    assert average_takes([first, replace(second, polarity="inverted")]).polarity == "unclear"


def test_takes_of_one_place_that_differ_are_told_and_seats_are_not() -> None:
    bump = np.zeros(take().thirds.levels_db.size)
    bump[15] = 2.2
    assert [one.kind for one in average_takes([take(), louder(take(), bump)]).faults] == [
        "takes-differ"
    ]
    assert average_takes([take(), louder(take(), bump * 0.8)]).faults == ()
    assert average_takes([take(), louder(take(), bump)], one_place=False).faults == ()


@pytest.mark.parametrize(
    ("count", "weights"), [(0, ()), (2, (1.0,)), (2, (0.0, 0.0)), (2, (1.0, -1.0))]
)
def test_what_cannot_be_averaged_is_refused(count: int, weights: tuple[float, ...]) -> None:
    with pytest.raises(WiringError):
        average_takes([take()] * count, weights)


PINK = SignalSpec("pink", channels=1, seconds=8.0)
PLACES = [Driver(FULL.filters, 3 + n / 8, reflections=((1.1 + n / 2, 0.5),)) for n in range(4)]


@cache
def moved() -> np.ndarray:
    """A microphone that moves: the way of sound changes on the way."""
    parts = [heard(played(PINK)[0], one) for one in PLACES]
    first = round((LEAD_S + MARK_S + GAP_S) * RATE_HZ)
    within = first + np.arange(1, len(parts)) * round(PINK.seconds / len(parts) * RATE_HZ)
    edges = [0, *within, parts[0].size]
    return np.concatenate([one[a:b] for one, a, b in zip(parts, edges, edges[1:], strict=False)])


def test_noise_is_averaged_over_a_moving_microphone() -> None:
    """Against the mean power of the true responses, third octave by third octave, 1.5 dB: 2 s of
    noise for each is itself that uncertain at 100 Hz (10 lg(1 + 2 / sqrt(B T)), B 23 Hz)."""
    found = analyse_noise(PINK, microphone(PINK, moved(), late_s=-1.2), RATE_HZ)
    for hz, level in zip(found.thirds.frequencies_hz, found.thirds.levels_db, strict=True):
        grid = np.geomspace(hz * 10**-0.05, hz * 10**0.05, 200)
        power = [np.mean(np.abs(one.response(grid)) ** 2) for one in PLACES]
        if hz > 95:
            assert level == pytest.approx(10 * math.log10(np.mean(power)), abs=1.5)
    assert found.segments > 28
    assert found.faults == ()
    tilted = read_calibration("20 -3\n1000 0\n20000 2.3")
    own = analyse_noise(PINK, microphone(PINK, moved(), late_s=-1.2), RATE_HZ, tilted)
    off = found.thirds.levels_db - own.thirds.levels_db
    assert off == pytest.approx(tilted.at(found.thirds.frequencies_hz), abs=0.1)


def test_noise_near_the_background_or_cut_off_is_told() -> None:
    def kinds(noise_db: float, stops_s: float | None = None) -> list[str]:
        own = microphone(PINK, moved(), noise_db, stops_s=stops_s)
        return [one.kind for one in analyse_noise(PINK, own, RATE_HZ).faults]

    assert kinds(8.0) == ["noisy-bands"]
    assert kinds(40.0, stops_s=9.0) == ["noise-unknown"]
    with pytest.raises(RecordingError, match="mark"):
        analyse_noise(PINK, np.random.default_rng(1).normal(0, 0.1, 480_000), RATE_HZ)
    with pytest.raises(WiringError, match="sweep"):
        analyse_noise(SPEC, moved(), RATE_HZ)


CALIBRATION = "* microphone 17\n20\t-1.5\n1000\t0.5\n20000\t2.0\n"


def test_a_calibration_is_read_and_put_to_0_at_1_khz() -> None:
    found = read_calibration(CALIBRATION, "17")
    assert found.at(np.array([20.0, 1_000.0, 20_000.0])) == pytest.approx([-2.0, 0.0, 1.5])
    assert found.at(np.array([5.0, 24_000.0])) == pytest.approx([-2.0, 1.5])
    assert any("-0.50 dB" in note for note in found.notes)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("20 0\n1000 zero\n20000 0", "Line 2"),
        ("200 0\n1000 0\n20000 0", "200 to 20000"),
        ("20 0\n1000 0\n9000 0", "20 to 9000"),
        ("20 -31\n1000 0\n20000 0", "-31.0 dB"),
        ("20 0\n1000 0", "Only 2 lines"),
    ],
)
def test_what_is_no_calibration_says_why(text: str, word: str) -> None:
    with pytest.raises(MeasurementError, match=word):
        read_calibration(text)


@pytest.mark.parametrize("text", ["50 0\n1000 0\n10000 0", "20 -30\n1000 0\n20000 0"])
def test_what_is_nearly_none_is_read(text: str) -> None:
    assert read_calibration(text).curve.frequencies_hz.size == 3


@settings(max_examples=50)
@given(st.dictionaries(st.sampled_from("abcdef"), st.floats(-10, 30), min_size=1))
def test_with_the_proposed_delays_all_arrive_together(arrivals: dict[str, float]) -> None:
    wanted = propose_delays(arrivals)
    ends = [one.arrival_ms + one.measured_ms for one in wanted]
    assert max(ends) - min(ends) < 1e-9
    assert min(one.measured_ms for one in wanted) == 0


def test_delays_stand_beside_the_tape_and_what_differs_is_said() -> None:
    """One tweeter measured to the wrong speaker; the tape counts from another latest speaker."""
    arrivals = {"left": 2.0, "right": 3.1, "sub": 6.0, "tweeter": 1.2}
    tape = {"left": 3.35, "right": 2.2, "tweeter": 3.0}
    found = {one.id: one for one in propose_delays(arrivals, tape)}
    assert found["left"].measured_ms == pytest.approx(4.0)
    assert found["left"].agrees
    assert found["right"].agrees
    assert found["sub"].agrees is None
    assert found["tweeter"].agrees is False
    assert "earlier than the tape" in found["tweeter"].said
    near = propose_delays(arrivals, {**tape, "tweeter": 4.05})
    assert all(one.agrees in (True, None) for one in near)


def test_where_an_arrival_is_less_sure_than_the_tape_is_off_the_tape_counts() -> None:
    """A subwoofer read 2.4 ms late in a cabin: it says so, and the other two keep their arrivals
    and what lies between them."""
    arrivals = {"left": 2.0, "right": 3.1, "sub": 8.4}
    tape = {"left": 4.0, "right": 2.9, "sub": 0.0}
    unsure = {"left": 0.01, "right": 0.01, "sub": 5.0}
    found = {one.id: one for one in propose_delays(arrivals, tape, unsure)}
    assert found["sub"].by == "tape"
    wanted = [one.wanted_ms for one in found.values()]
    assert wanted == pytest.approx([4.0, 2.9, 0.0], abs=1e-9)
    assert "the tape counts" in found["sub"].said
    sure = propose_delays(arrivals, tape, {**unsure, "sub": 0.5})
    assert sure[2].by == "arrival" and sure[2].agrees is False
    assert min(one.wanted_ms for one in sure) == 0


def test_delays_that_stood_while_it_was_measured_are_not_added_again() -> None:
    free = propose_delays({"a": 1.0, "b": 4.0})
    set_before = propose_delays({"a": 3.0, "b": 4.0}, standing_ms={"a": 2.0})
    assert (
        [one.measured_ms for one in free] == [one.measured_ms for one in set_before] == [3.0, 0.0]
    )


def test_polarity_is_proved_or_contradicted() -> None:
    found = judge_polarity(
        {"a": "normal", "b": "inverted", "c": "inverted", "d": "unclear"}, {"c": True}
    )
    assert [one.verdict for one in found] == ["proved", "contradicted", "proved", "unclear"]
    assert "plus and minus" in found[1].said
    chain = judge_polarity({"a": "inverted", "b": "inverted", "c": "normal"}, {"c": True})
    assert [one.verdict for one in chain] == ["proved"] * 3
    assert "microphone" in chain[0].said
    alone = judge_polarity({"a": "inverted"}, {})
    assert alone[0].verdict == "contradicted"


def test_a_pair_is_matched_by_lowering_the_louder() -> None:
    left, right = Measurement(GRID, np.zeros(400)), Measurement(GRID, np.full(400, -1.3))
    found = match_levels("left", "right", (left, right), 200.0, 4_000.0, 0.25)
    assert (found.first_change_db, found.second_change_db) == (-1.25, 0.0)
    assert found.over_db == pytest.approx(1.3)
    assert "left is 1.3 dB louder" in found.said
    near = Measurement(GRID, np.full(400, -0.49))
    assert match_levels("left", "right", (left, near), 200.0, 4_000.0).matched
    with pytest.raises(WiringError, match="common"):
        match_levels("left", "right", (left, right), 20.0, 40.0)


def off(at_hz: float, by_db: float, wide: float = 0.2) -> Measurement:
    """A setup's response with a bump of one third octave or less."""
    return Measurement(GRID, by_db * (np.abs(np.log2(GRID / at_hz)) < wide).astype(float))


SETUP = Measurement(GRID, np.zeros(400))


@pytest.mark.parametrize(
    ("car", "light"),
    [
        (off(1_000, 1.9), "green"),
        (off(1_000, 2.2), "amber"),
        (off(1_000, -3.9), "amber"),
        (off(1_000, 4.2), "red"),
        (off(1_000, 2.5, 0.9), "red"),
        (off(60, 9.0), "green"),
        (off(14_500, 9.0), "green"),
    ],
)
def test_a_second_car_is_judged_by_one_line(car: Measurement, light: str) -> None:
    found = judge_tolerance(car, SETUP)
    assert found.light == light
    assert found.said.startswith("This car is")
    assert (found.outside == ()) == (light == "green")


def test_overall_level_belongs_to_the_volume_control() -> None:
    found = judge_tolerance(Measurement(GRID, np.full(400, 5.0)), SETUP)
    assert found.light == "green"
    assert found.level_db == pytest.approx(5.0)
    assert "5.0 dB louder" in found.said


def test_a_car_that_was_not_measured_far_enough_is_not_judged() -> None:
    short = Measurement(np.geomspace(150, 16_000, 200), np.zeros(200))
    with pytest.raises(WiringError, match="both be measured"):
        judge_tolerance(short, SETUP)
