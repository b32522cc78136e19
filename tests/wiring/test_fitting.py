"""The proposal: what it recovers, what it holds to, and that it never makes worse."""

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from wiring.errors import WiringError
from wiring.filters.biquads import setting_biquads
from wiring.plan import Crossover, Section, Setting
from wiring.tuning.fitting import Limits, Proposal, null_mask, propose, within_boost
from wiring.tuning.measurements import Floats, Measurement
from wiring.tuning.response import decibels, evaluate
from wiring.tuning.targets import FLAT, WARM

GRID = np.geomspace(15, 22_000, 1_500)
HEARD = (GRID > 30) & (GRID < 16_000)


def added_db(sections: tuple[Section, ...]) -> Floats:
    return decibels(
        evaluate([setting_biquads(Setting(sections=sections), 48_000.0)], GRID, 48_000.0)[0]
    )


def synthetic_car(seed: int, noise_db: float = 1.0) -> tuple[Floats, Measurement]:
    """Eight hidden sections, then noise on every point: (true response, what is measured)."""
    random = np.random.default_rng(seed)
    hidden = tuple(
        Section(
            "peaking",
            float(np.exp(random.uniform(np.log(40), np.log(12_000)))),
            float(random.uniform(-3.5, 9)),
            float(random.uniform(0.6, 4)),
        )
        for _ in range(8)
    )
    true = added_db(hidden)
    return true, Measurement(GRID, true + random.normal(0, noise_db, GRID.size))


def rms(levels: Floats) -> float:
    return float(np.std(levels[HEARD]))


@pytest.mark.parametrize("seed", range(6))
def test_a_synthetic_car_is_recovered_within_a_decibel(seed: int) -> None:
    """Against the true response, which the fit never sees."""
    true, measured = synthetic_car(seed)
    proposal = propose(measured, FLAT)
    assert rms(true) > 0.8
    assert rms(true + added_db(proposal.sections)) < min(1.0, rms(true) / 2)
    assert proposal.after_rms_db < proposal.before_rms_db


def test_the_same_input_gives_the_same_sections() -> None:
    _, measured = synthetic_car(3)
    assert propose(measured, WARM).sections == propose(measured, WARM).sections


def within(proposal: Proposal, limits: Limits) -> None:
    if proposal.sections:
        assert added_db(proposal.sections).max() <= limits.boost_db + 0.05
    assert len(proposal.sections) <= limits.count
    assert proposal.after_rms_db <= proposal.before_rms_db
    for section in proposal.sections:
        assert -limits.cut_db <= section.gain_db <= limits.boost_db
        assert limits.q_low <= section.q <= limits.q_high
        assert 0.99 * proposal.low_hz <= section.frequency_hz <= 1.01 * proposal.high_hz


@given(
    st.lists(st.floats(-25, 25), min_size=8, max_size=8),
    st.builds(
        Limits,
        count=st.integers(0, 6),
        cut_db=st.floats(1, 12),
        boost_db=st.sampled_from([0.0, 3.0, 6.0]),
        q_low=st.sampled_from([0.5, 1.0]),
        q_high=st.sampled_from([2.0, 8.0]),
    ),
)
@settings(max_examples=25, deadline=None)
def test_any_response_stays_within_limits_and_is_never_worse(
    points: list[float], limits: Limits
) -> None:
    levels = np.interp(np.log(GRID), np.linspace(np.log(15), np.log(22_000), 8), points)
    within(propose(Measurement(GRID, levels), FLAT, limits=limits), limits)


def test_the_crossover_band_is_respected() -> None:
    setting = Setting(
        high_pass=Crossover("linkwitz_riley", 4, 80.0),
        low_pass=Crossover("linkwitz_riley", 4, 3_000.0),
    )
    _, measured = synthetic_car(1)
    proposal = propose(measured, FLAT, setting)
    assert proposal.sections
    assert all(80.0 < s.frequency_hz < 3_000.0 for s in proposal.sections)


def test_a_null_is_neither_boosted_nor_counted() -> None:
    """A comb of two paths cancels at 420 Hz: 30 dB deep, a third of an octave wide."""
    dip = 20 * np.log10(np.abs(1 - 0.97 * np.exp(-((np.log2(GRID / 420) / 0.09) ** 2))))
    hump = added_db((Section("peaking", 1_200.0, 5.0, 1.0),))
    measured = Measurement(GRID, dip + hump)
    assert null_mask(measured, np.array([420.0])).tolist() == [False]  # no band around one point
    proposal = propose(measured, FLAT)
    assert any(400 < f < 440 for f in proposal.left_out_hz)
    added = added_db(proposal.sections)
    assert added[np.argmin(np.abs(GRID - 420))] < 0.5
    assert added[np.argmin(np.abs(GRID - 1_200))] == pytest.approx(-5.0, abs=1.0)


def test_a_roll_off_is_left_alone_and_boosts_do_not_pile_up() -> None:
    small = evaluate(
        [setting_biquads(Setting(high_pass=Crossover("butterworth", 4, 90.0)), 48_000.0)],
        GRID,
        48_000.0,
    )[0]
    proposal = propose(Measurement(GRID, decibels(small)), WARM, limits=Limits(boost_db=4.0))
    added = added_db(proposal.sections)
    assert added.max() <= 4.05
    assert np.all(np.abs(added[GRID < 40]) < 2.0)


def test_boosts_that_stand_already_count_against_the_limit() -> None:
    """Two wide boosts side by side add up: 4 dB on top of 3 dB may not become 7 dB."""
    standing = (Section("peaking", 1_000.0, 3.0, 0.7),)
    more = (Section("peaking", 1_100.0, 4.0, 0.7), Section("peaking", 4_000.0, 2.0, 1.0))
    limits = Limits(boost_db=4.0)
    lowered = within_boost(more, standing, limits, 48_000.0)
    assert added_db(standing + more).max() > 6.0
    assert 3.8 < added_db(standing + lowered).max() <= 4.05
    assert lowered[-1] == more[-1]
    assert within_boost(more[1:], (), limits, 48_000.0) == more[1:]


def test_sections_in_use_count_unless_fitted_anew() -> None:
    _, measured = synthetic_car(2)
    used = Setting(sections=tuple(Section("peaking", 100.0 * n, -1.0) for n in range(1, 11)))
    full = propose(measured, FLAT, used)
    assert full.sections == ()
    assert "in use" in full.said
    anew = propose(measured, FLAT, used, anew=True)
    assert 0 < len(anew.sections) <= 10
    assert anew.after_rms_db < anew.before_rms_db


def test_nothing_to_do_is_said() -> None:
    proposal = propose(Measurement(GRID, np.full(GRID.size, 71.0)), FLAT)
    assert proposal.sections == ()
    assert proposal.said


def test_less_than_an_octave_is_refused() -> None:
    narrow = Setting(
        high_pass=Crossover("butterworth", 2, 1_000.0),
        low_pass=Crossover("butterworth", 2, 1_800.0),
    )
    _, measured = synthetic_car(1)
    with pytest.raises(WiringError, match="octave"):
        propose(measured, FLAT, narrow)
