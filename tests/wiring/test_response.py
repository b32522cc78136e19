"""Properties of responses and their sums.

[amp6 line 1, 2] --> [mono input 1, 2] --> sub: both devices' settings count.
"""

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from tests.wiring.plans import changed, good_plan, low, setting_response
from wiring.plan import Crossover, Section, Setting
from wiring.tuning import response
from wiring.tuning.alignment import speed_of_sound_m_s
from wiring.tuning.response import decibels, plan_response

GRID = response.log_grid(64)


def as_typed(low: float, high: float) -> st.SearchStrategy[float]:
    """Figures as they are typed, to a thousandth."""
    return st.floats(low, high).map(lambda value: round(value, 3))


frequencies = st.floats(20, 15_000)
sections = st.builds(
    Section,
    kind=st.sampled_from(["peaking", "low_shelf", "high_shelf", "all_pass"]),
    frequency_hz=frequencies,
    gain_db=as_typed(-12, 12),
    q=st.floats(0.3, 8),
)
crossovers = st.builds(
    Crossover,
    family=st.sampled_from(["butterworth", "bessel", "linkwitz_riley"]),
    order=st.sampled_from([2, 4, 6, 8]),
    frequency_hz=frequencies,
)
settings_of_a_channel = st.builds(
    Setting,
    high_pass=st.none() | crossovers,
    low_pass=st.none() | crossovers,
    level_db=as_typed(-40, 12),
    delay_ms=as_typed(0, 20),
    inverted=st.booleans(),
    sections=st.lists(sections, max_size=4).map(tuple),
)


def replaced(setting: Setting, **changes: object) -> Setting:
    values = {name: getattr(setting, name) for name in setting.__struct_fields__}
    return Setting(**(values | changes))


@given(settings_of_a_channel, as_typed(0, 50))
@settings(max_examples=40)
def test_delay_moves_no_magnitude(setting: Setting, delay_ms: float) -> None:
    moved = setting_response(replaced(setting, delay_ms=delay_ms), GRID)
    assert np.abs(moved) == pytest.approx(np.abs(setting_response(setting, GRID)), rel=1e-9)


@given(settings_of_a_channel)
@settings(max_examples=40)
def test_polarity_turns_the_sign_and_twice_is_identity(setting: Setting) -> None:
    once = setting_response(replaced(setting, inverted=not setting.inverted), GRID)
    assert once == pytest.approx(-setting_response(setting, GRID))


@given(settings_of_a_channel, as_typed(-20, 10))
@settings(max_examples=40)
def test_level_adds_to_every_frequency(setting: Setting, more_db: float) -> None:
    louder = setting_response(replaced(setting, level_db=setting.level_db + more_db), GRID)
    assert np.abs(louder) == pytest.approx(
        np.abs(setting_response(setting, GRID)) * 10 ** (more_db / 20), rel=1e-9
    )


@given(settings_of_a_channel)
@settings(max_examples=40)
def test_a_cut_undoes_the_same_boost(setting: Setting) -> None:
    """Peaking sections and shelves of the cookbook are each other's inverse at -gain."""
    back = tuple(
        Section(s.kind, s.frequency_hz, -s.gain_db, s.q)
        for s in setting.sections
        if s.kind != "all_pass"
    )
    shaped = Setting(sections=tuple(s for s in setting.sections if s.kind != "all_pass") + back)
    assert np.abs(setting_response(shaped, GRID)) == pytest.approx(1.0, abs=1e-7)


def test_settings_of_every_device_on_the_way_multiply() -> None:
    plan = changed(good_plan(), "channels", "mono.1", setting=Setting(low_pass=low(80.0)))
    got = plan_response(plan, GRID).channels["mono.1"]
    one = setting_response(Setting(low_pass=low(80.0)), GRID)
    assert got.response == pytest.approx(one * one)


def test_front_left_of_the_good_plan_sums_flat_through_its_crossover() -> None:
    """Linkwitz-Riley 24 dB/oct at 3 kHz on both sides, the delays taken out of the sum."""
    found = plan_response(good_plan(), np.geomspace(600, 10_000, 50))
    assert found.places["front_left"].magnitude_db == pytest.approx(0.0, abs=0.05)
    assert any("delays" in said for said in found.assumed)


def test_sides_and_the_whole_are_sums_of_places() -> None:
    found = plan_response(good_plan(), GRID)
    left = found.places["front_left"].response + found.places["second_left"].response
    assert found.sides["left"].response == pytest.approx(left)
    assert found.whole is not None
    assert found.whole.response == pytest.approx(sum(p.response for p in found.places.values()))


def test_distances_and_delays_that_agree_cancel() -> None:
    """Each speaker is delayed by what the farthest is later: the sum is that without both."""
    plan = good_plan()
    speed = speed_of_sound_m_s(20.0)
    distances = {s.id: 0.8 + 0.2 * n for n, s in enumerate(plan.speakers)}
    far = max(distances.values())
    for channel in plan.channels:
        if channel.speakers:
            late = (far - distances[channel.speakers[0]]) / speed * 1000
            setting = replaced(channel.setting, delay_ms=late)
            plan = changed(plan, "channels", channel.id, setting=setting)
    placed = plan_response(plan, GRID, distances_m=distances)
    assert placed.whole is not None
    bare = plan_response(good_plan(), GRID).whole
    assert bare is not None
    assert np.abs(placed.whole.response) == pytest.approx(np.abs(bare.response), abs=1e-9)


def test_half_a_wave_of_distance_cancels() -> None:
    """Front tweeters 343.2 / 2000 / 2 m apart meet in opposition at 1 kHz (20 degC)."""
    plan = good_plan()
    for channel in plan.channels:
        plan = changed(plan, "channels", channel.id, setting=Setting(muted=True))
    for number in (1, 2):
        plan = changed(plan, "channels", f"amp6.{number}", setting=Setting())
    distances = {s.id: 1.0 for s in plan.speakers} | {"tweeter_r": 1.0 + 343.2 / 1_000 / 2}
    whole = plan_response(plan, np.array([1_000.0]), distances_m=distances).whole
    assert whole is not None
    assert abs(whole.response[0]) < 1e-9


def test_measured_drivers_are_put_in() -> None:
    quiet = {"sub": np.full(GRID.size, 0.5 + 0j)}
    plan = good_plan()
    whole, half = plan_response(plan, GRID), plan_response(plan, GRID, acoustic=quiet)
    assert half.places["boot_centre"].response == pytest.approx(
        whole.places["boot_centre"].response / 2
    )


def test_a_setting_that_does_not_exist_is_said_and_not_guessed() -> None:
    plan = changed(
        good_plan(),
        "channels",
        "amp6.5",
        setting=Setting(high_pass=Crossover("linkwitz_riley", 3, 80.0)),
    )
    found = plan_response(plan, GRID)
    assert "amp6.5" not in found.channels
    assert "choose 12, 24, 36 or 48" in found.problems["amp6.5"]


def test_group_delay_of_a_plain_delay_is_that_delay() -> None:
    curve = plan_response(
        changed(good_plan(), "channels", "amp6.1", setting=Setting(delay_ms=1.5)),
        np.geomspace(20, 300, 200),
    ).channels["amp6.1"]
    assert curve.group_delay_ms == pytest.approx(1.5)
    assert decibels(curve.response) == pytest.approx(0.0)
