"""Proposals: what is proposed passes, and the next size down does not."""

import msgspec
import pytest
from hypothesis import given, settings, strategies as st

from tests.wiring.plans import amplifier, assuming, changed, good_plan
from wiring.check import check
from wiring.errors import WiringError
from wiring.plan import Channel, Conductor, Fuse, Metal, Plan, Rating, Run, Speaker
from wiring.power.conductors import size
from wiring.proposals import propose, recommend_fuse


def against(plan: Plan, run_id: str) -> list[str]:
    """Stops and cautions of the power rules on a run."""
    return [
        finding.title
        for finding in check(plan)
        if finding.severity != "note" and run_id in finding.where
    ]


@pytest.mark.parametrize("metal", ["copper", "copper_clad_aluminium"])
@pytest.mark.parametrize("run_id", ["main", "to_amp6", "to_mono", "from_amp6", "from_mono"])
def test_proposal_is_the_smallest_that_passes(run_id: str, metal: Metal) -> None:
    plan = good_plan()
    made = propose(plan, run_id, metal)
    assert made.plan is not None and made.conductor is not None
    assert against(made.plan, run_id) == []
    assert made.conductor.metal == metal
    smaller = made.rejected[-1]
    assert size(smaller.size).area_mm2 < size(made.conductor.size).area_mm2
    assert smaller.size in made.reason
    tried = msgspec.structs.replace(made.conductor, size=smaller.size)
    assert against(changed(made.plan, "runs", run_id, conductor=tried), run_id) != []
    assert all(figure.worked for figure in made.figures)


def test_copper_clad_aluminium_needs_more_area() -> None:
    for run in good_plan().runs:
        copper = propose(good_plan(), run.id).conductor
        clad = propose(good_plan(), run.id, "copper_clad_aluminium").conductor
        assert copper is not None and clad is not None
        assert size(clad.size).area_mm2 > size(copper.size).area_mm2


def test_a_metric_run_gets_a_metric_size() -> None:
    plan = changed(good_plan(), "runs", "main", conductor=Conductor("25 mm2"))
    made = propose(plan, "main")
    assert made.conductor is not None and made.conductor.size.endswith("mm2")


def test_a_missing_fuse_is_proposed_near_the_battery() -> None:
    made = propose(changed(good_plan(), "runs", "main", fuse=None), "main")
    assert made.fuse is not None and made.fuse.distance_m <= 0.45
    assert made.plan is not None and against(made.plan, "main") == []


def test_a_far_fuse_is_proposed_nearer() -> None:
    plan = changed(good_plan(), "runs", "main", fuse=Fuse(100.0, "strip", 2.0))
    made = propose(plan, "main")
    assert made.fuse is not None and made.fuse.distance_m == pytest.approx(0.45)


def test_no_size_will_do_says_why() -> None:
    made = propose(assuming(good_plan(), max_drop_fraction=0.0001), "main")
    assert made.plan is None and made.conductor is None
    assert "4/0 AWG" in made.reason and "loses" in made.reason


def test_a_proposal_breaks_nothing_elsewhere() -> None:
    """A drop limit that allows anything still may not push an amplifier under its cut-off."""
    plan = assuming(changed(good_plan(), "devices", "mono", min_supply_v=13.7), max_drop_fraction=1)
    made = propose(plan, "main")
    assert "shuts down" in made.reason
    assert made.plan is not None
    assert not [each for each in check(made.plan) if each.severity == "stop"]


def test_fuse_for_the_cable_as_it_is() -> None:
    plan = changed(good_plan(), "runs", "to_mono", fuse=Fuse(200.0, "strip", 0.1))
    made = recommend_fuse(plan, "to_mono")
    assert made.conductor == Conductor("4 AWG")
    assert made.plan is not None and against(made.plan, "to_mono") == []
    thin = changed(good_plan(), "runs", "to_mono", conductor=Conductor("18 AWG"))
    assert recommend_fuse(thin, "to_mono").plan is None
    unknown = changed(good_plan(), "runs", "to_mono", conductor=Conductor("thick"))
    assert "thick" in recommend_fuse(unknown, "to_mono").reason


def test_unknown_run_is_refused() -> None:
    with pytest.raises(WiringError, match="run_id"):
        propose(good_plan(), "nothing")


@st.composite
def single_runs(draw: st.DrawFn) -> Plan:
    """[battery] --feed--> [amp] --return--> [body or battery], of any strength and length."""
    channels = draw(st.integers(1, 4))
    power = draw(st.floats(5.0, 800.0))
    insulation = draw(st.sampled_from([60.0, 75.0, 90.0, 105.0, 125.0]))
    conductor = Conductor(draw(st.sampled_from(["16 AWG", "25 mm2"])), insulation_c=insulation)
    place = draw(st.sampled_from(["cabin", "engine_bay"]))
    fuse = draw(st.sampled_from([None, Fuse(30.0, "blade", 0.2), Fuse(300.0, "strip", 1.5)]))
    feed = Run(
        "feed",
        "feed",
        "battery",
        "amp",
        conductor,
        draw(st.floats(0.2, 8.0)),
        parallel=draw(st.integers(1, 2)),
        place=place,
        bundled=draw(st.integers(1, 8)),
        fuse=fuse,
    )
    back = Run("return", "return", "amp", "body", Conductor("4/0 AWG"), 0.5)
    device = amplifier(
        "amp",
        channels,
        ratings=(Rating(4.0, power),),
        turn_on="ignition_feed",
        amplifier_class=draw(st.sampled_from(["D", "AB", "A"])),
    )
    numbers = range(1, channels + 1)
    return Plan(
        devices=(device,),
        speakers=tuple(Speaker(f"s{n}", "S", "woofer", "boot", 4.0) for n in numbers),
        channels=tuple(
            Channel(f"c{n}", "amp", "amplifier", n, speakers=(f"s{n}",)) for n in numbers
        ),
        runs=(feed, back),
    )


@settings(max_examples=120, deadline=None)
@given(single_runs(), st.sampled_from(["copper", "copper_clad_aluminium"]))
def test_a_proposal_never_breaks_a_rule(plan: Plan, metal: Metal) -> None:
    made = propose(plan, "feed", metal)
    if made.plan is None:
        assert made.reason and made.rejected
        return
    assert against(made.plan, "feed") == []
    others_before = {f.fingerprint for f in check(plan)}
    for finding in check(made.plan):
        if finding.severity != "note":
            assert finding.fingerprint in others_before
