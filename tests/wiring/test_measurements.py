"""Reading measured text as instruments write it, averaging, targets and comparing."""

import numpy as np
import pytest
from hypothesis import given, strategies as st

from wiring.errors import WiringError
from wiring.tuning import measurements, targets
from wiring.tuning.measurements import Measurement, MeasurementError, read_text, spread
from wiring.tuning.targets import TargetCurve

WANTED = ([20.5, 30.0, 1_000.0], [-1.25, 2.0, 80.0])


@pytest.mark.parametrize(
    "text",
    [
        "20.5\t-1.25\n30\t2\n1000\t80",
        "20.5,-1.25\n30,2\n1000,80\n",
        "20.5, -1.25\r\n30, 2\r\n1000, 80\r\n",
        "20.5 -1.25 12\n30 2 -170\n1000 80 0",
        "20,5;-1,25\n30;2\n1000;80",
        "20,5\t-1,25\n30\t2,0\n1000,0\t80",
        "20,5,-1,25\n30,0,2,0\n1000,0,80,0",
        "* left door, 2026-11-25\n# Hz dB\nFrequency(Hz) SPL(dB)\n20.5 -1.25\n\n30 2\n1e3 80",
        "20.5 Hz -1.25 dB\n30 Hz 2 dB\n1000 Hz 80 dB",
        "1000 80\n30 2\n20.5 -1.25",
        b"\xef\xbb\xbf20.5\t-1.25\n30\t2\n1000\t80",
        "20.5\t-1.25\n30\t2\n1000\t80".encode("utf-16"),
    ],
)
def test_what_instruments_write_is_read(text: str | bytes) -> None:
    got = read_text(text)
    assert (got.frequencies_hz.tolist(), got.levels_db.tolist()) == WANTED


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("20 1\n30 x\n40 2\n50 3", 2, "“x” is no number"),
        ("20 1\n30\n40 2\n50 3", 2, "Two numbers"),
        ("20 1\n30 2\n-40 2\n50 3", 3, "is not from 1 to"),
        ("20 1\n30 2\n40 9999\n50 3", 3, "cannot be a level"),
        ("20 1\n30 2\n40 nan\n50 3", 3, "no number"),
        ("20 1\n30 2\n30 2\n50 3", 3, "stands in line 2 too"),
        ("Hz dB\n20 1\n30 2", 0, "Only 2 lines"),
        ("", 0, "Only 0 lines"),
    ],
)
def test_what_is_wrong_is_said_by_line(text: str, line: int, says: str) -> None:
    with pytest.raises(MeasurementError) as caught:
        read_text(text)
    assert caught.value.problems[0].number == line
    assert says in caught.value.problems[0].message


def test_every_faulty_line_is_told() -> None:
    with pytest.raises(MeasurementError) as caught:
        read_text("20 1\n30 x\n40 2\n50 y\n60 3")
    assert [problem.number for problem in caught.value.problems] == [2, 4]


@given(st.binary(max_size=300))
def test_any_file_is_read_or_refused_with_a_reason(content: bytes) -> None:
    try:
        got = read_text(content)
    except MeasurementError as error:
        assert error.problems[0].message
    else:
        assert np.all(np.diff(got.frequencies_hz) > 0)


def test_average_is_of_power_over_the_band_shared() -> None:
    """0 dB and 10 dB have the powers 1 and 10, their mean is 5.5: 7.40 dB."""
    grid = np.geomspace(20, 2_000, 21)
    quiet = Measurement(grid, np.zeros(21))
    loud = Measurement(np.geomspace(100, 20_000, 50), np.full(50, 10.0))
    got = measurements.average([quiet, loud])
    assert got.levels_db == pytest.approx(7.4036, abs=1e-4)
    assert got.frequencies_hz[0] >= 100
    apart = Measurement(np.array([5_000.0, 6_000.0, 7_000.0]), np.zeros(3))
    with pytest.raises(MeasurementError, match="share no band"):
        measurements.average([quiet, apart])


def test_a_place_counts_once_however_often_it_was_measured() -> None:
    """0 dB and 10 dB at one place have the mean power 5.5; with 20 dB at another, (5.5 + 100) / 2 =
    52.75: 17.22 dB. Each alike would be 111 / 3 = 37: 15.68 dB."""
    grid = np.geomspace(20, 2_000, 21)
    takes = [Measurement(grid, np.full(21, level)) for level in (0.0, 10.0, 20.0)]
    weights = measurements.weights_of(["driver", "driver", "passenger"])
    got = measurements.average(takes, weights=weights)
    assert got.levels_db == pytest.approx(17.2222, abs=1e-4)
    first = measurements.average(takes[:2])
    assert got.levels_db == pytest.approx(measurements.average([first, takes[2]]).levels_db)
    assert measurements.average(takes).levels_db == pytest.approx(15.6820, abs=1e-4)
    for wrong in ((1.0,), (0.0, 0.0, 0.0), (1.0, -1.0, 1.0), (1.0, float("nan"), 1.0)):
        with pytest.raises(WiringError):
            measurements.average(takes, weights=wrong)


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.floats(-40, 120)), min_size=1, max_size=6),
    st.sampled_from("abc"),
    st.integers(2, 4),
)
def test_every_take_of_a_place_again_alters_nothing(
    takes: list[tuple[str, float]], place: str, times: int
) -> None:
    grid = np.geomspace(20, 2_000, 3)

    def mean(of: list[tuple[str, float]]) -> float:
        curves = [Measurement(grid, np.full(3, level)) for _, level in of]
        weights = measurements.weights_of(where for where, _ in of)
        return float(measurements.average(curves, weights=weights).levels_db[0])

    more = [one for one in takes if one[0] == place] * (times - 1)
    assert mean([*takes, *more]) == pytest.approx(mean(takes), abs=1e-9)


GRID = np.geomspace(15, 22_000, 900)


def test_distance_leaves_the_overall_level_out() -> None:
    target = targets.WARM
    exact = Measurement(GRID, target.at(GRID) + 71.0)
    found = targets.distance(exact, target)
    assert found.offset_db == pytest.approx(71.0, abs=0.1)
    assert found.rms_db < 0.1
    assert [row[0] for row in found.rows][:3] == [20.0, 25.0, 31.5]


def test_distance_of_a_known_step() -> None:
    """Half the bands 2 dB up and half 2 dB down are 2 dB from flat, whatever the level."""
    step = Measurement(GRID, np.where(np.log(GRID) < np.log(GRID).mean(), 58.0, 62.0))
    found = targets.distance(step, targets.FLAT)
    assert found.rms_db == pytest.approx(2.0, abs=0.1)
    assert abs(found.worst_db) == pytest.approx(2.0, abs=0.15)


def test_before_and_after_are_compared_over_the_bands_both_have() -> None:
    before = Measurement(GRID, 3 * np.sin(3 * np.log(GRID)))
    after = Measurement(GRID[200:], np.zeros(700))
    change = targets.compare(before, after)
    assert change.before.centres_hz.tolist() == change.after.centres_hz.tolist()
    assert change.gained_db == pytest.approx(change.before.rms_db)


def test_a_target_that_is_none_is_refused() -> None:
    for points in (((100.0, 0.0),), ((100.0, 0.0), (50.0, 0.0)), ((100.0, 0.0), (200.0, 99.0))):
        with pytest.raises(WiringError):
            targets.check(TargetCurve("bad", points))


def test_how_far_responses_are_apart_leaves_their_loudness_out() -> None:
    """A tilt of 1 dB per octave about 1 kHz over one that is flat, and 20 dB louder: the ends of
    the band are as far apart as octaves lie between them and the mean of the tilt."""
    hz = np.geomspace(20, 20_000, 400)
    flat = Measurement(hz, np.full(hz.size, 20.0))
    tilted = Measurement(hz, np.log2(hz / 1_000))
    found = spread([flat, tilted], 125.0, 8_000.0)
    assert found is not None
    assert (found.low_hz, found.high_hz) == (125.0, 8_000.0)
    assert found.worst_db == pytest.approx(3.0, abs=0.05)
    assert found.at_hz in (125.0, 8_000.0)
    assert found.mean_db == pytest.approx(1.58, abs=0.05)
    assert spread([flat]) is None
    assert spread([flat, Measurement(hz[:5], np.zeros(5))]) is None
