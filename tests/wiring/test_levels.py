"""The level guide and the delays of a whole car.

[source 1 V] --> [amp6] --> 4 ohm speakers; [amp6 lines] --> [mono] --> 2 ohm
"""

import pytest
from hypothesis import given, strategies as st

from tests.wiring.plans import changed, good_plan
from wiring.channels import levels
from wiring.context import Context
from wiring.errors import WiringError
from wiring.tuning.alignment import Seat, align


def test_targets_follow_power_and_load() -> None:
    plan = good_plan()
    context = Context(plan)
    found = levels.guide(context)
    assert {row.channel_id for row in found.channels} == set(context.power_w)
    for row in found.channels:
        assert row.target_v**2 / row.load_ohm == pytest.approx(row.power_w)
        assert row.tone_v == pytest.approx(row.target_v)


def test_the_speakers_rating_is_kept() -> None:
    plan = changed(good_plan(), "speakers", "rear_l", power_w=25.0)
    row = next(r for r in levels.guide(plan).channels if r.channel_id == "amp6.5")
    assert (row.limited_by, row.target_v) == ("speakers", 10.0)


def test_test_tones_lie_inside_each_band() -> None:
    tones = {row.channel_id: row.tone_hz for row in levels.guide(good_plan()).channels}
    assert tones["amp6.1"] > 3_000
    assert 80 < tones["amp6.3"] < 3_000
    assert tones["mono.1"] < 80


def test_sensitivity_is_suggested_within_the_inputs_range() -> None:
    """At -10 dBFS and an overlap of 10 dB the tone's own voltage is the sensitivity."""
    plan = good_plan()
    for volts, verdict, setting in (
        (1.0, "ok", 1.0),
        (0.1, "too_little", 0.2),
        (9.0, "too_much", 6.0),
    ):
        found = levels.guide(plan, source_v={"mono": volts})
        row = next(r for r in found.channels if r.channel_id == "mono.1")
        assert (row.verdict, row.sensitivity_v) == (verdict, pytest.approx(setting))


def test_a_channel_that_reads_wrong_is_told() -> None:
    right = {row.channel_id: row.tone_v for row in levels.guide(good_plan()).channels}
    found = levels.guide(good_plan(), measured_v=right | {"amp6.2": right["amp6.2"] / 2})
    row = next(r for r in found.channels if r.channel_id == "amp6.2")
    assert row.measured_db == pytest.approx(-6.02, abs=0.01)
    assert len(found.unmatched) == 1


def test_speakers_are_unplugged_before_any_tone_and_plugged_in_last() -> None:
    steps = levels.guide(good_plan()).steps
    does = [step.do for step in steps]
    first_tone = next(n for n, text in enumerate(does) if "tone" in text)
    assert "unplug the speakers" in does[0]
    assert "hearing" in steps[0].caution
    assert "crossover" in does[1]
    assert first_tone > 1
    assert any("plug the speakers in, tweeters last" in text for text in does[first_tone + 1 :])
    assert [step.number for step in steps] == list(range(1, len(steps) + 1))


distances = st.floats(0.3, 4.0)


@given(st.lists(st.tuples(distances, distances), min_size=2, max_size=6), st.floats(0.001, 1))
def test_several_seats_are_weighed_to_the_least_squares(
    rows: list[tuple[float, float]], weight: float
) -> None:
    """No small change of any delay lowers the weighted squared spread of arrivals."""
    ids = [f"s{n}" for n in range(len(rows))]
    seats = (
        Seat("driver", dict(zip(ids, (r[0] for r in rows), strict=True)), 1.0),
        Seat("passenger", dict(zip(ids, (r[1] for r in rows), strict=True)), weight),
    )
    done = align(seats)
    delays = {d.id: d.exact_ms for d in done.delays}

    def spread(trial: dict[str, float]) -> float:
        total = 0.0
        for seat in seats:
            arrivals = [trial[i] + seat.distances_m[i] / done.speed_m_s * 1000 for i in ids]
            mean = sum(arrivals) / len(arrivals)
            total += seat.weight * sum((a - mean) ** 2 for a in arrivals)
        return total

    assert min(delays.values()) == pytest.approx(0.0, abs=1e-12)
    for i in ids:
        for change in (-0.01, 0.01):
            assert spread(delays | {i: delays[i] + change}) >= spread(delays) - 1e-9


def test_rounding_is_never_off_by_more_than_half_a_step() -> None:
    seat = Seat("driver", {"a": 0.63, "b": 0.97, "c": 1.41, "d": 2.02})
    for delay in align((seat,), 25.0, step_ms=0.02, sample_rate_hz=48_000.0).delays:
        assert abs(delay.residual_ms) <= 0.01 + 1e-12
        assert delay.set_ms == pytest.approx(delay.steps * 0.02)
        assert delay.samples == pytest.approx(delay.set_ms * 48)


def test_a_delay_the_device_cannot_do_is_said() -> None:
    seat = Seat("driver", {"near": 0.5, "far": 5.0})
    done = align((seat,), step_ms=0.02, longest_ms=10.0)
    assert done.delays[0].set_ms == pytest.approx(10.0)
    assert "near needs 13.11 ms" in done.problems[0]


@pytest.mark.parametrize(
    "seats",
    [
        (),
        (Seat("driver", {}),),
        (Seat("driver", {"a": 1.0}), Seat("passenger", {"b": 1.0})),
        (Seat("driver", {"a": 30.0}),),
        (Seat("driver", {"a": 1.0}, 0.0),),
    ],
)
def test_seats_that_cannot_be_used_are_refused(seats: tuple[Seat, ...]) -> None:
    with pytest.raises(WiringError):
        align(seats)
