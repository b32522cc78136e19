"""Findings on a tuning, each by one change of a plan that has none."""

from typing import Any

import pytest

from tests.wiring.plans import assuming, changed, good_plan, large_plan, low
from wiring.check import check, findings_of
from wiring.context import RULES, Context
from wiring.findings import Finding
from wiring.plan import Crossover, Passive, PassivePart, Plan, Section, Setting
from wiring.rules import tuning as rules_tuning

TUNING = [one for one in RULES.values() if one.examine.__module__ == rules_tuning.__name__]


def tuning_findings(plan: Plan, distances_m: dict[str, float] | None = None) -> tuple[Finding, ...]:
    return findings_of(Context(plan, distances_m), TUNING)


LR2 = Crossover("linkwitz_riley", 2, 3_000.0)


def rules(plan: Plan, **more: Any) -> dict[str, str]:
    return {f.rule: f.severity for f in tuning_findings(plan, **more)}


@pytest.mark.parametrize("plan", [good_plan(), large_plan()], ids=["full case", "large"])
def test_a_good_tuning_has_none(plan: Plan) -> None:
    assert tuning_findings(plan) == ()


def second_order(inverted: bool) -> Plan:
    plan = changed(
        good_plan(), "channels", "amp6.1", setting=Setting(high_pass=LR2, inverted=inverted)
    )
    return changed(plan, "channels", "amp6.3", setting=Setting(high_pass=low(80.0), low_pass=LR2))


def test_second_order_sides_cancel_unless_one_is_inverted() -> None:
    """Linkwitz 1976: 180 degrees apart at the corner."""
    assert rules(second_order(inverted=False)) == {"crossover-cancels": "caution"}
    assert rules(second_order(inverted=True)) == {}


def test_a_delay_that_cancels_is_found_once_the_distances_are_known() -> None:
    """Half a period of 3 kHz is 0.167 ms: equal distances and that delay put them in opposition."""
    setting = Setting(high_pass=low(3_000.0), delay_ms=0.16)
    plan = changed(good_plan(), "channels", "amp6.1", setting=setting)
    plan = changed(
        plan, "channels", "amp6.3", setting=Setting(high_pass=low(80.0), low_pass=low(3_000.0))
    )
    assert rules(plan) == {}
    assert rules(plan, distances_m={"tweeter_l": 1.0, "mid_l": 1.0}) == {
        "crossover-cancels": "caution"
    }


def test_slopes_that_do_not_suit_each_other_leave_a_dip() -> None:
    """Linkwitz-Riley 12 over 24 dB/oct: a quarter turn apart at -6.02 dB each, -3.01 dB together.

    Inverting one changes nothing there, and beside the corner the dip is deeper.
    """
    plan = changed(good_plan(), "channels", "amp6.1", setting=Setting(high_pass=LR2))
    assert rules(assuming(plan, crossover_gap_db=6.0)) == {}
    found = tuning_findings(assuming(plan, crossover_gap_db=2.9))
    assert [f.rule for f in found] == ["crossover-sum"]
    assert -6.0 < found[0].figures[0].value <= -3.0


@pytest.mark.parametrize(
    ("rule", "part_id", "setting"),
    [
        (
            "boost-under-high-pass",
            "amp6.1",
            Setting(
                high_pass=Crossover("butterworth", 2, 2_500.0),
                sections=(Section("peaking", 1_500.0, 9.0, 0.7),),
            ),
        ),
        (
            "headroom",
            "amp6.5",
            Setting(high_pass=low(80.0), sections=(Section("peaking", 400.0, 6.0, 1.0),)),
        ),
        (
            "too-many-sections",
            "amp6.5",
            Setting(
                high_pass=low(80.0),
                sections=tuple(Section("peaking", 100.0 * n, -1.0) for n in range(1, 14)),
            ),
        ),
        ("delay-step", "amp6.5", Setting(high_pass=low(80.0), level_db=-3.0, delay_ms=1.23)),
        (
            "tuning-not-possible",
            "amp6.5",
            Setting(high_pass=low(80.0), sections=(Section("peaking", 40_000.0, -3.0),)),
        ),
    ],
)
def test_a_fault_is_found(rule: str, part_id: str, setting: Setting) -> None:
    found = rules(changed(good_plan(), "channels", part_id, setting=setting))
    assert rule in found


@pytest.mark.parametrize(
    ("capacitor_uf", "centre_hz", "told"),
    [(None, 1_200.0, True), (None, 4_000.0, False), (4.7, 1_200.0, False)],
    ids=["far below the limit", "above the limit", "behind a capacitor that takes it back"],
)
def test_a_boost_counts_where_the_tweeter_hears_it(
    capacitor_uf: float | None, centre_hz: float, told: bool
) -> None:
    """A narrow boost, an octave under the limit of 2.5 kHz; with 4.7 uF before 4 ohm (8.5 kHz)
    the tweeter gets 17 dB less there."""
    setting = Setting(
        high_pass=Crossover("butterworth", 1, 2_500.0),
        sections=(Section("peaking", centre_hz, 9.0, 4.0),),
    )
    plan = changed(good_plan(), "channels", "amp6.1", setting=setting)
    if capacitor_uf is not None:
        part = PassivePart("series", capacitance_f=capacitor_uf * 1e-6)
        plan = changed(plan, "speakers", "tweeter_l", passive=Passive((part,)))
    found = [one for one in check(plan) if one.rule == "boost-under-high-pass"]
    assert [one.where for one in found] == ([("amp6.1", "tweeter_l")] if told else [])


@pytest.mark.parametrize(("corner_hz", "advice"), [(1_500.0, "together"), (6_000.0, "apart")])
def test_corners_that_do_not_meet_are_to_move_the_right_way(corner_hz: float, advice: str) -> None:
    setting = Setting(high_pass=low(80.0), low_pass=low(corner_hz))
    plan = changed(good_plan(), "channels", "amp6.3", setting=setting)
    found = [one for one in check(plan) if one.rule == "crossover-match"]
    assert [one.where[:2] for one in found] == [("amp6.3", "amp6.1")]
    assert found[0].what_to_do.startswith(f"Move the corners {advice},")


def test_left_and_right_may_differ_in_equaliser_and_delay() -> None:
    setting = Setting(
        high_pass=low(80.0),
        level_db=-3.0,
        delay_ms=1.2,
        sections=(Section("peaking", 400.0, -6.0, 1.0),),
    )
    assert check(changed(good_plan(), "channels", "amp6.5", setting=setting)) == check(good_plan())


def test_a_vented_box_wants_a_high_pass_and_no_boost_below_it() -> None:
    plan = changed(good_plan(), "speakers", "sub", box_limit_hz=32.0)
    assert rules(plan) == {"box-limit": "caution"}
    plan = changed(
        plan,
        "channels",
        "mono.1",
        setting=Setting(
            high_pass=Crossover("butterworth", 4, 28.0),
            level_db=-8.0,
            sections=(Section("peaking", 28.0, 6.0, 1.0),),
        ),
    )
    assert rules(plan) == {"box-boost": "caution"}
