"""Proposals: what is proposed passes, and the next size down does not."""

import re

import msgspec
import pytest
from hypothesis import given, settings, strategies as st

from tests.wiring.plans import amplifier, assuming, changed, good_plan, second_battery
from wiring.check import check
from wiring.errors import WiringError
from wiring.plan import Channel, Conductor, Fuse, Metal, Plan, Rating, Run, Speaker
from wiring.power.conductors import size
from wiring.proposals import Stock, StockCable, StockFuse, propose, recommend_fuse


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
    larger = []
    for run in good_plan().runs:
        copper = propose(good_plan(), run.id).conductor
        clad = propose(good_plan(), run.id, "copper_clad_aluminium").conductor
        assert copper is not None and clad is not None
        larger.append(size(clad.size).area_mm2 - size(copper.size).area_mm2)
    assert min(larger) >= 0 and max(larger) > 0


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
    hot = changed(good_plan(), "runs", "main", place="engine_bay", parallel=1)
    hot = changed(hot, "runs", "main", conductor=Conductor("4 AWG", insulation_c=60.0))
    made = propose(hot, "main")
    assert made.plan is None and made.conductor is None
    assert "4/0 AWG" in made.reason and "cannot be judged" in made.reason


def unsafe(plan: Plan, run_id: str) -> list[str]:
    """The same as `against`, without what is only lost voltage."""
    return [
        finding.rule
        for finding in check(plan)
        if finding.severity != "note" and run_id in finding.where and finding.rule != "power-drop"
    ]


def test_a_drop_limit_no_cable_meets_leaves_the_safe_cable_and_says_what_to_relax() -> None:
    plan = assuming(good_plan(), max_drop_fraction=0.001)
    made = propose(plan, "main")
    assert made.plan is not None and made.fuse is not None and unsafe(made.plan, "main") == []
    assert {one.rule for one in made.drops} == {"power-drop"} and "with music" in made.drops[
        0
    ].title
    asked = re.search(r"even 4/0 AWG .* from 0\.1% to ([\d.]+)%", made.relax)
    assert asked is not None and "full output" not in made.relax
    relaxed = assuming(good_plan(), max_drop_fraction=float(asked[1]) / 100)
    met = propose(relaxed, "main")
    assert met.plan is not None and met.drops == () and met.relax == ""
    tighter = assuming(good_plan(), max_drop_fraction=float(asked[1]) / 100 - 0.001)
    assert propose(tighter, "main").relax != ""


def test_the_two_limits_are_told_apart() -> None:
    both = assuming(good_plan(), max_drop_fraction=0.001, max_full_drop_fraction=0.004)
    made = propose(both, "main")
    assert "with music, long-term even" in made.relax and "at full output even" in made.relax
    full = propose(assuming(good_plan(), max_full_drop_fraction=0.004), "main")
    assert "music" not in full.relax and "at full output even" in full.relax


def test_the_safe_fuse_is_given_where_the_cable_in_the_car_loses_too_much() -> None:
    long = changed(good_plan(), "runs", "main", conductor=Conductor("4 AWG"), length_m=20.0)
    made = recommend_fuse(long, "main")
    assert made.fuse is not None and made.plan is not None and unsafe(made.plan, "main") == []
    assert made.drops and "loses" in made.drops[0].title
    short = recommend_fuse(changed(long, "runs", "main", length_m=1.0), "main")
    assert short.fuse is not None and short.drops == () and short.relax == ""


KEPT = Stock(
    cables=(
        StockCable("7", "Reed 35", "35 mm2", "copper", 105.0),
        StockCable("8", "Reed 60", "60 mm2", "copper", None),
        StockCable("9", "Sedge 50", "50 mm2", "copper_clad_aluminium", 80.0),
        StockCable("10", "Twine", "as thick as a thumb", "copper", None),
    ),
    fuses=(StockFuse("20", "Strip 100", "strip", 100.0), StockFuse("21", "Lump", "tin foil", 90.0)),
)


def test_what_the_shop_keeps_is_offered_first() -> None:
    plain = propose(good_plan(), "main")
    assert plain.cable is None and plain.fuse_kept is None
    kept = propose(good_plan(), "main", stock=KEPT)
    assert kept.cable == KEPT.cables[0] and kept.conductor is not None
    assert kept.conductor.size == "35 mm2"
    assert kept.fuse == Fuse(100.0, "strip", 0.3) and kept.fuse_kept == KEPT.fuses[0]
    assert kept.plan is not None and against(kept.plan, "main") == []
    clad = propose(good_plan(), "main", "copper_clad_aluminium", KEPT)
    assert clad.cable == KEPT.cables[2] and clad.conductor is not None
    assert clad.conductor.insulation_c == 80.0


def test_what_the_shop_keeps_and_will_not_do_is_passed_over() -> None:
    thin = Stock(cables=(StockCable("1", "Rush", "1.5 mm2", "copper", 105.0),))
    made = propose(good_plan(), "main", stock=thin)
    plain = propose(good_plan(), "main")
    assert made.cable is None and made.conductor == plain.conductor
    assert made.rejected[0].size == "1.5 mm2"
    hot = changed(good_plan(), "runs", "main", place="engine_bay")
    cool = Stock(cables=(StockCable("1", "Rush", "95 mm2", "copper", 60.0),))
    assert propose(hot, "main", stock=cool).cable is None, "its insulation does not stand the heat"


def test_a_kept_fuse_that_is_too_small_is_not_taken() -> None:
    small = Stock(fuses=(StockFuse("1", "Blade 10", "blade", 10.0),))
    made = propose(good_plan(), "to_mono", stock=small)
    assert made.fuse is not None and made.fuse.rating_a > 10 and made.fuse_kept is None


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
    assert (unsafe if made.drops else against)(made.plan, "feed") == []
    assert bool(made.drops) is bool(made.relax)
    others_before = {f.fingerprint for f in check(plan)}
    for finding in check(made.plan):
        if finding.severity != "note":
            assert finding.fingerprint in others_before or finding in made.drops


def test_a_cable_between_two_batteries_is_proposed_with_a_fuse_at_each_end() -> None:
    plan = second_battery(0.2, None)
    made = recommend_fuse(plan, "link")
    assert made.plan is not None and made.far_fuse is not None
    assert against(made.plan, "link") == []
    assert made.fuse is None, "the fuse at the first battery protects this end"
    allowed_a = 150.0 * (65 / 75) ** 0.5
    thin = changed(plan, "runs", "link", conductor=Conductor("4 AWG"))
    thin = changed(thin, "runs", "first", conductor=Conductor("4 AWG"), fuse=None)
    whole = recommend_fuse(thin, "first")
    assert whole.fuse is not None and whole.far_fuse is None
    assert 100 <= whole.fuse.rating_a <= allowed_a * 1.2
    sized = propose(changed(plan, "runs", "link", far_fuse=None), "link")
    assert sized.plan is not None and sized.far_fuse is not None
    assert recommend_fuse(good_plan(), "to_mono").far_fuse is None
