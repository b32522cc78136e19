"""Speaker cables: what they take of the level, and each rule raised once with its near miss."""

from typing import Any

import numpy as np
import pytest

from tests.wiring.plans import assuming, changed, good_plan
from wiring.check import check
from wiring.context import Context
from wiring.errors import WiringError
from wiring.findings import Finding
from wiring.plan import Plan, SpeakerCable, dump, load
from wiring.power.conductors import ampacity
from wiring.power.speaker_cable import (
    CableFacts,
    cable_facts,
    cable_figures,
    damping_factor,
    level_loss_db,
    pair_ohm,
)


def with_cable(size: str, length_m: float, channel: str = "mono.1", **more: Any) -> Plan:
    return changed(good_plan(), "channels", channel, cable=SpeakerCable(size, length_m, **more))


def facts_of(plan: Plan, channel: str = "mono.1") -> CableFacts:
    context = Context(plan)
    found = cable_facts(context, context.channels[channel])
    assert found is not None
    return found


def of(rule: str, plan: Plan) -> list[Finding]:
    return [one for one in check(plan) if one.rule == rule]


def test_loss_and_damping_by_the_circuit() -> None:
    """IEC 60228:2004 class 5: 2.5 mm2 has 7.98 mohm/m at 20 degC; the circuit solved by nodes."""
    cable_ohm = pair_ohm("2.5 mm2", 6.0, "copper", 20.0)
    assert cable_ohm == pytest.approx(2 * 6.0 * 7.98e-3)
    load_ohm, source_v = 4.0, 10.0
    conductances = np.array(
        [
            [2 / cable_ohm + 1 / load_ohm, -1 / load_ohm],
            [-1 / load_ohm, 2 / cable_ohm + 1 / load_ohm],
        ]
    )
    high, low = np.linalg.solve(conductances, [source_v * 2 / cable_ohm, 0.0])
    expected_db = -20 * np.log10((high - low) / source_v)
    assert level_loss_db(load_ohm, cable_ohm) == pytest.approx(expected_db)
    assert damping_factor(load_ohm, cable_ohm) == pytest.approx(4.0 / 0.09576)
    warm = facts_of(with_cable("2.5 mm2", 6.0))
    assert warm.ohm == pytest.approx(cable_ohm * (1 + 0.00393 * (40 - 20)))
    assert warm.load_ohm == 2.0


def test_figures_are_the_facts() -> None:
    plan = with_cable("4 mm2", 5.0)
    found = facts_of(plan)
    figures = {
        one.label.partition(",")[0]: one.value for one in cable_figures(Context(plan), found)
    }
    assert figures["level lost in the speaker cable"] == found.loss_db
    assert figures["damping factor at the speaker"] == found.damping
    assert found.full_a == pytest.approx((400 / 2) ** 0.5)
    assert found.music_a == pytest.approx((400 * 0.33 / 2) ** 0.5)


def test_a_long_thin_cable_takes_too_much() -> None:
    limit_m = next(
        length / 10
        for length in range(1, 1000)
        if facts_of(with_cable("1.5 mm2", length / 10)).loss_db > 0.5
    )
    assert of("speaker-cable-loss", with_cable("1.5 mm2", limit_m - 0.1)) == []
    (finding,) = of("speaker-cable-loss", with_cable("1.5 mm2", limit_m))
    assert finding.severity == "caution" and finding.where == ("mono.1",)
    assert (
        of("speaker-cable-loss", assuming(with_cable("1.5 mm2", limit_m), speaker_loss_db=1.0))
        == []
    )


def test_a_speaker_cable_carries_its_channel() -> None:
    """14.1 A of a sine and 8.1 A with bass-heavy music, against the table in 40 degC."""
    for size, raised in (("4 mm2", []), ("1.5 mm2", ["caution"]), ("0.5 mm2", ["stop"])):
        found = facts_of(with_cable(size, 1.0))
        assert found.allowed_a == ampacity(size, "copper", 60.0, 40.0).current_a
        assert [
            one.severity for one in of("speaker-cable-load", with_cable(size, 1.0))
        ] == raised, (
            size,
            found.allowed_a,
        )


def test_a_short_in_a_speaker_cable_is_ended_by_something() -> None:
    plan = with_cable("2.5 mm2", 2.0)
    assert of("speaker-cable-protection", plan) == []
    bare = changed(plan, "devices", "mono", output_protected=False)
    assert [one.severity for one in of("speaker-cable-protection", bare)] == ["caution"]
    allowed = facts_of(plan).allowed_a
    for fuse_a, raised in ((allowed * 0.99, False), (allowed * 1.01, True)):
        fused = changed(
            bare, "channels", "mono.1", cable=SpeakerCable("2.5 mm2", 2.0, fuse_a=fuse_a)
        )
        assert bool(of("speaker-cable-protection", fused)) is raised


def test_an_unknown_cable_is_said_to_be_that() -> None:
    (finding,) = of("speaker-cable-known", with_cable("bell wire", 2.0))
    assert "bell wire" in finding.title and finding.where == ("mono.1",)
    assert of("speaker-cable-known", with_cable("16 AWG", 2.0)) == []
    for rule in ("speaker-cable-loss", "speaker-cable-load", "speaker-cable-protection"):
        assert of(rule, with_cable("bell wire", 2.0)) == []


def test_two_equal_channels_are_judged_apart() -> None:
    plan = changed(
        with_cable("0.5 mm2", 9.0), "channels", "amp6.3", cable=SpeakerCable("4 mm2", 1.0)
    )
    assert [one.where for one in of("speaker-cable-loss", plan)] == [("mono.1",)]


def test_what_is_no_cable_is_refused() -> None:
    for length_m in (0.0, float("nan"), float("inf")):
        with pytest.raises(WiringError, match="length_m"):
            pair_ohm("4 mm2", length_m, "copper", 20.0)
    with pytest.raises(WiringError, match="load_ohm"):
        level_loss_db(0.0, 0.1)


def test_a_cable_is_written_and_read() -> None:
    plan = with_cable("4 mm2", 5.0, fuse_a=15.0)
    assert load(dump(plan)) == plan
