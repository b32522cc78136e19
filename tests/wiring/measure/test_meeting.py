"""Two speakers where they meet: as computed, or which of polarity and delay keeps them apart."""

from dataclasses import replace

import numpy as np
import pytest

from tests.wiring.measure.cabins import RATE_HZ, Driver, recorded
from wiring.errors import WiringError
from wiring.measure.meeting import MEETS_DB, Meets, meet, shared_bands_hz
from wiring.measure.signals import SignalSpec
from wiring.measure.take import analyse
from wiring.tuning.response import Complexes

CROSSING_HZ = 2_500.0
LOW = Driver((("low", 2, CROSSING_HZ),) * 2, 3.0)
HIGH = Driver((("high", 2, CROSSING_HZ),) * 2, 3.0)
SPEC = SignalSpec(channels=1, count=2, pause_s=1.0, seconds=3.0)
IN_PHASE = np.ones(shared_bands_hz(CROSSING_HZ).size, dtype=np.complex128)
"""Two Linkwitz-Riley filters of fourth order turn alike at every frequency (Linkwitz 1976)."""


def met(low: Driver, high: Driver, between: Complexes = IN_PHASE) -> Meets:
    takes = analyse(SPEC, recorded(SPEC, [low, high], drift_ppm=60.0), RATE_HZ).takes
    found = meet(takes[0], takes[1], CROSSING_HZ, between)
    assert found is not None
    return found


def test_a_pair_in_step_sums_flat_and_meets_as_computed() -> None:
    """S. Linkwitz, J. Audio Eng. Soc. 24 (1976): both 6 dB down where they cross, the sum flat."""
    found = met(LOW, HIGH)
    assert (found.cause, found.change_ms) == ("", None)
    assert found.apart_db < 0.2
    assert np.ptp(found.computed_db) < 0.3 and np.ptp(found.together_db) < 0.3
    at = int(np.argmin(np.abs(np.array(found.frequencies_hz) - CROSSING_HZ)))
    assert found.together_db[at] - found.lower_db[at] == pytest.approx(6.0, abs=0.4)
    assert "meet as computed" in found.said


def test_what_keeps_them_apart_is_named_and_by_how_much() -> None:
    turned = met(LOW, replace(HIGH, inverted=True))
    assert (turned.cause, turned.change_ms) == ("polarity", None)
    assert min(np.subtract(turned.together_db, turned.computed_db)) < -12
    for late_ms in (-0.09, 0.13):
        late = met(LOW, replace(HIGH, delay_ms=3.0 + late_ms))
        assert late.cause == "delay" and late.apart_db > MEETS_DB
        assert late.change_ms == pytest.approx(-late_ms, abs=0.015)
        assert ("earlier" if late_ms > 0 else "later") in late.why
    both = met(LOW, replace(HIGH, inverted=True, delay_ms=3.08))
    assert both.cause == "polarity"
    assert both.change_ms == pytest.approx(-0.08, abs=0.015)
    unequal = met(LOW, replace(HIGH, gain_db=-4.0))
    assert unequal.cause == ""
    there_and_back = np.exp(2.5j * np.sin(np.linspace(0.0, 9.0, IN_PHASE.size)))
    neither = met(LOW, HIGH, there_and_back)
    assert neither.cause == "other" and "reflections" in neither.why


def test_what_shares_no_band_or_no_clock_says_nothing() -> None:
    far = Driver((("low", 2, 300.0),) * 2, 3.0)
    takes = analyse(SPEC, recorded(SPEC, [far, HIGH]), RATE_HZ).takes
    assert meet(takes[0], takes[1], CROSSING_HZ, IN_PHASE) is None
    alone = replace(takes[0], relative_to="nothing")
    with pytest.raises(WiringError, match="no clock"):
        meet(alone, takes[1], CROSSING_HZ, IN_PHASE)
    with pytest.raises(WiringError, match="one value"):
        meet(takes[0], takes[1], CROSSING_HZ, IN_PHASE[1:])
