"""Speakers together out of takes one by one, levels of tones, and channels by name."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from tests.wiring.measure.cabins import RATE_HZ, Driver, heard, microphone, played, recorded
from wiring.errors import WiringError
from wiring.measure.faults import RecordingError
from wiring.measure.proposals import judge_place
from wiring.measure.signals import SignalSpec
from wiring.measure.sums import ChannelHeard, channels_heard, summed, tone_level, tones_heard
from wiring.measure.take import Analysis, Take, analyse
from wiring.plan import ProcessorLimits, Steps
from wiring.tuning.agreement import disagreement
from wiring.tuning.fitting import Limits
from wiring.tuning.within_processor import limits_within

MID = Driver((("high", 2, 300.0), ("low", 2, 2_500.0), ("low", 2, 2_500.0)), 3.0)
HIGH = Driver((("high", 2, 2_500.0), ("high", 2, 2_500.0)), 2.2)
SPEC = SignalSpec(channels=1, count=2, pause_s=1.0, seconds=3.0)


@cache
def one_by_one() -> Analysis:
    return analyse(SPEC, recorded(SPEC, [MID, HIGH], drift_ppm=70.0), RATE_HZ)


@cache
def both() -> Take:
    spec = SignalSpec(channels=1, seconds=3.0)
    total = heard(played(spec)[0], MID) + heard(played(spec)[0], HIGH)
    return analyse(spec, microphone(spec, total), RATE_HZ).takes[0]


def test_two_takes_add_up_to_what_both_measure_together() -> None:
    """Through the crossover region, where 0.8 ms apart they fill and cancel in turn."""
    together = summed(one_by_one().takes, fraction=3)
    theirs = both().thirds
    for hz, level in zip(together.frequencies_hz, together.levels_db, strict=True):
        at = int(np.argmin(np.abs(theirs.frequencies_hz - hz)))
        if 400 < hz < 14_000:
            assert level == pytest.approx(theirs.levels_db[at], abs=0.3)
    computed = summed(one_by_one().takes, fraction=12)
    assert disagreement(computed, both().measured, 500.0, 10_000.0) is None
    turned = summed(one_by_one().takes, turned=(False, True), fraction=12)
    off = np.abs(turned.levels_db - computed.levels_db)
    inside = (turned.frequencies_hz > 500) & (turned.frequencies_hz < 10_000)
    worst = int(np.argmax(np.where(inside, off, 0.0)))
    assert off[worst] > 10
    assert turned.frequencies_hz[worst] == pytest.approx(2_500, rel=0.1)


def test_a_delay_that_is_thought_of_is_the_delay_that_is_set() -> None:
    """A Linkwitz-Riley pair in step sums to 0 dB at its corner (Linkwitz 1976)."""
    in_step = summed(one_by_one().takes, changes_ms=(0.0, 0.8), fraction=3)
    near = (in_step.frequencies_hz > 1_000) & (in_step.frequencies_hz < 10_000)
    assert np.max(np.abs(in_step.levels_db[near])) < 0.5
    apart = summed(one_by_one().takes, fraction=3)
    assert np.min(apart.levels_db[near]) < -1.5


def test_takes_without_a_clock_in_common_do_not_add_up() -> None:
    first, second = one_by_one().takes
    for takes in (
        (first,),
        (both(), both()),
        (first, replace(second, zero_ms=None)),
        (first, replace(second, relative_to="mark")),
    ):
        with pytest.raises(WiringError):
            summed(takes)
    with pytest.raises(WiringError, match="3 are given"):
        summed((first, second), changes_ms=(0.0, 1.0, 2.0))


@settings(max_examples=25, deadline=None)
@given(st.floats(30, 10_000), st.floats(-60, -1), st.floats(-3, 3))
def test_the_level_of_a_tone_is_read_through_noise(hz: float, level: float, phase: float) -> None:
    times = np.arange(48_000) / RATE_HZ
    tone = 10 ** (level / 20) * np.sin(2 * np.pi * hz * times + phase)
    noise = np.random.default_rng(1).normal(0, 10 ** ((level - 30) / 20) / math.sqrt(2), 48_000)
    found = tone_level(tone + noise + 0.1, RATE_HZ, hz)
    assert found.level_dbfs == pytest.approx(level, abs=0.02)
    assert found.rest_dbfs == pytest.approx(level - 30, abs=0.3)


def test_a_tone_too_short_or_too_high_is_refused() -> None:
    with pytest.raises(WiringError, match="ten periods"):
        tone_level(np.ones(4_700), RATE_HZ, 100.0)
    assert tone_level(np.zeros(4_800), RATE_HZ, 100.0).level_dbfs < -200
    with pytest.raises(WiringError, match="half"):
        tone_level(np.ones(4_800), RATE_HZ, 24_000.0)


def test_channels_that_play_are_heard_by_name() -> None:
    spec = SignalSpec("channels", seconds=2.5, pause_s=0.5)
    left, right = played(spec)
    full = Driver((("high", 2, 60.0),))
    both_sides = heard(left, full) + heard(right, Driver(full.filters, gain_db=-6.0))
    found = channels_heard(spec, microphone(spec, both_sides, drift_ppm=80.0, late_s=-0.7), RATE_HZ)
    assert [one.name for one in found] == ["left", "right", "front", "rear"]
    assert all(one.heard for one in found)
    assert found[0].level_dbfs - found[1].level_dbfs == pytest.approx(6.0, abs=0.3)
    left_alone = channels_heard(spec, microphone(spec, heard(left, full)), RATE_HZ)
    assert [one.heard for one in left_alone] == [True, False, True, True]
    with pytest.raises(RecordingError, match="mark"):
        channels_heard(spec, np.random.default_rng(1).normal(0, 0.01, 480_000), RATE_HZ)
    with pytest.raises(WiringError, match="sweep"):
        channels_heard(SPEC, np.ones(48_000), RATE_HZ)


def test_a_proposal_keeps_the_narrower_of_shop_and_processor() -> None:
    processor = ProcessorLimits(gain_db=Steps(-9, 3, 0.5), width=Steps(0.3, 5, 0.1), max_sections=5)
    assert limits_within(processor, Limits()) == Limits(5, 9.0, 3.0, 0.5, 5.0, 0.5, 0.1)
    assert limits_within(ProcessorLimits(), Limits()) == Limits()
    octaves = ProcessorLimits(width=Steps(1 / 3, 2.0, 0.1), width_counted="octaves")
    found = limits_within(octaves, Limits())
    assert (found.q_low, found.q_high) == pytest.approx((0.667, 4.318), abs=1e-3)


def test_tones_one_by_one_stand_as_they_were_played_in_a_recorder_that_runs_fast() -> None:
    """A gain is what scipy's filter gives at the tone, so that 6 dB down is half."""
    spec = SignalSpec("tone", channels=1, count=3, pause_s=1.0, seconds=2.0, tone_hz=400.0)
    drivers = [Driver(gain_db=by) for by in (0.0, -6.02, -20.0)]
    found, seen = tones_heard(spec, recorded(spec, drivers, drift_ppm=80.0, late_s=0.3), RATE_HZ)
    levels = [one.level_dbfs for one in found]
    assert [one.number for one in found] == [0, 1, 2] and seen == ()
    assert np.subtract(levels, levels[0]).tolist() == pytest.approx([0.0, -6.02, -20.0], abs=0.05)
    assert levels[0] == pytest.approx(spec.level_dbfs, abs=0.05)
    cut, missing = tones_heard(spec, recorded(spec, drivers, stops_s=12.0), RATE_HZ)
    assert [one.number for one in cut] == [0, 1] and len(missing) == 1
    with pytest.raises(RecordingError):
        tones_heard(spec, np.random.default_rng(1).normal(0, 0.01, 480_000), RATE_HZ)
    with pytest.raises(WiringError, match="no tone"):
        tones_heard(SPEC, played(SPEC)[0], RATE_HZ)


def test_the_place_a_channel_is_heard_at_is_the_planned_one_or_told() -> None:
    def heard(*levels: float) -> list[ChannelHeard]:
        names = ("front left", "front right", "rear left", "rear right")
        return [
            ChannelHeard(name, level, level + 60, level > -50)
            for name, level in zip(names, levels, strict=True)
        ]

    right = heard(-45.0, -20.0, -48.0, -30.0)
    assert judge_place(right, "right", "front").agrees is True
    wrong = judge_place(right, "left", "front")
    assert wrong.agrees is False and "right, where the plan has the left" in wrong.said
    assert "front, where the plan has the rear" in judge_place(right, "right", "rear").said
    assert judge_place(right, "right", "").agrees is True
    alike = judge_place(heard(-22.0, -20.0, -40.0, -40.0), "left", "front")
    assert (alike.side, alike.agrees) == ("", None)
    assert judge_place(heard(-90.0, -90.0, -90.0, -90.0), "left", "front").agrees is None
    assert judge_place(heard(-22.0, -20.0, -40.0, -40.0), "centre", "front").agrees is True
