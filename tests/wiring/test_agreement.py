"""Where a computed response disagrees with the measured one: what must be said, and its twin that
must not."""

import numpy as np
import pytest

from wiring.tuning.agreement import NOTABLE_DB, disagreement, plays
from wiring.tuning.measurements import Measurement
from wiring.tuning.response import log_grid

GRID = log_grid(2_000)
SLOPED = 80 - 3 * np.log2(GRID / 1000)


def step(height_db: float, low_hz: float, high_hz: float) -> Measurement:
    """A slope of 3 dB an octave with a step in a band."""
    inside = (low_hz <= GRID) & (high_hz >= GRID)
    return Measurement(GRID, SLOPED + height_db * inside)


COMPUTED = Measurement(GRID, SLOPED)
OCTAVE = (177.8, 354.8)
"""The three third octaves at 200, 250 and 315 Hz, edge to edge (IEC 61260-1:2014, 5.6)."""


@pytest.mark.parametrize("height", [NOTABLE_DB + 0.2, -NOTABLE_DB - 0.2, 12.0])
def test_two_neighbours_off_on_one_side_are_said_with_their_sign(height: float) -> None:
    found = disagreement(COMPUTED, step(height, *OCTAVE), 20, 20_000)
    assert found is not None
    assert 190 < found.at_hz < 330
    assert found.worst_db == pytest.approx(height, abs=0.1)
    # Three of the thirty-one third octaves from 20 Hz to 20 kHz, each off by the height.
    assert found.rms_db == pytest.approx(abs(height) * (3 / 31) ** 0.5, rel=0.05)


@pytest.mark.parametrize(
    "measured",
    [
        COMPUTED,
        Measurement(GRID, SLOPED + 11),
        step(NOTABLE_DB - 0.2, *OCTAVE),
        step(9.0, 223.9, 281.8),
        Measurement(GRID, SLOPED + 2.5 * np.sin(40 * np.log2(GRID))),
    ],
    ids=["the same", "louder as a whole", "just too little", "one third octave alone", "ripple"],
)
def test_its_twins_are_not(measured: Measurement) -> None:
    assert disagreement(COMPUTED, measured, 20, 20_000) is None


def test_neighbours_off_on_opposite_sides_are_ripple() -> None:
    up, down = (GRID >= 223.9) & (GRID < 281.8), (GRID >= 281.8) & (GRID < 354.8)
    wavy = Measurement(GRID, SLOPED + 5 * up - 5 * down)
    assert disagreement(COMPUTED, wavy, 20, 20_000) is None


def test_what_lies_outside_the_band_that_is_asked_for_says_nothing() -> None:
    assert disagreement(COMPUTED, step(12, *OCTAVE), 500, 20_000) is None
    assert disagreement(COMPUTED, step(12, *OCTAVE), 100, 20_000) is not None
    assert disagreement(COMPUTED, step(12, *OCTAVE), 200, 210) is None


def test_a_measurement_of_another_grid_and_range_is_compared_where_both_reach() -> None:
    coarse = np.geomspace(50, 9_000, 300)
    part = Measurement(coarse, np.interp(np.log(coarse), np.log(GRID), step(8, *OCTAVE).levels_db))
    found = disagreement(COMPUTED, part, 20, 20_000)
    assert found is not None
    assert found.worst_db == pytest.approx(8, abs=0.3)
    assert (found.low_hz > 50, found.high_hz < 9_000) == (True, True)


def test_a_channel_plays_where_every_curve_lets_it() -> None:
    one, other = np.array([0.0, -23.0, -30.0]), np.array([-25.0, 0.0, 0.0])
    assert plays(one, other).tolist() == [False, True, False]
