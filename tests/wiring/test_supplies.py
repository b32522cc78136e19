"""What else a car can be fed from: 24 V, lithium, a converter, the car's own supply wire."""

import msgspec
import pytest

from tests.wiring.plans import changed, good_plan, supplied, without
from wiring.check import check
from wiring.context import Context
from wiring.errors import WiringError
from wiring.findings import Finding
from wiring.plan import Conductor, Device, FactoryFeed, Fuse, Plan, Run, dump, load
from wiring.power.charging import (
    blocks,
    capacity_ah,
    peukert_hours,
    report,
    reserve_capacity_ah,
    surface_charge_v,
)
from wiring.power.demand import demands
from wiring.power.facts import between_sources, facts
from wiring.power.solution import solve


def of(rule: str, plan: Plan) -> list[Finding]:
    return [one for one in check(plan) if one.rule == rule]


def with_parts(plan: Plan, devices: tuple[Device, ...] = (), runs: tuple[Run, ...] = ()) -> Plan:
    return msgspec.structs.replace(
        plan, devices=(*plan.devices, *devices), runs=(*plan.runs, *runs)
    )


def from_the_car(fuse_a: float | None, limit_a: float | None = None) -> Plan:
    """The subwoofer amplifier alone, on a supply wire of the car itself."""
    plan = changed(good_plan(), "runs", "to_mono", from_node="factory feed", fuse=None)
    plan = without(plan, "runs", "main", "to_amp6")
    feed = FactoryFeed(fuse_a, limit_a)
    return supplied(plan, factory_feed=None if feed == FactoryFeed() else feed)


def test_the_car_s_own_supply_wire_gives_no_more_than_it_may() -> None:
    plan = from_the_car(50.0)
    full_a = facts(Context(plan)).by_id["to_mono"].full_a
    music_a = facts(Context(plan)).by_id["to_mono"].music_a
    assert 0.8 * 40 < full_a < 0.8 * 50 and 0.8 * 10 < music_a < 0.8 * 20
    assert of("factory-feed", plan) == []
    assert [one.severity for one in of("factory-feed", from_the_car(40.0))] == ["caution"]
    assert [one.severity for one in of("factory-feed", from_the_car(10.0))] == ["stop"]
    assert [one.severity for one in of("factory-feed", from_the_car(50.0, 8.0))] == ["stop"]
    (unknown,) = of("factory-feed", from_the_car(None))
    assert unknown.severity == "caution" and "neither its fuse" in unknown.title
    assert of("factory-feed", good_plan()) == []


def test_the_car_s_own_fuse_protects_the_cable_behind_it() -> None:
    assert of("fuse-missing", from_the_car(50.0)) == []
    thin = changed(from_the_car(50.0), "runs", "to_mono", conductor=Conductor("16 AWG"))
    (finding,) = of("fuse-over-conductor", thin)
    assert "50 A" in finding.title and finding.where[0] == "to_mono"
    assert of("fuse-over-conductor", from_the_car(50.0)) == []


def through_a_converter(most_a: float | None) -> Plan:
    """The good plan on 24 V; a converter before the block gives 13.8 V."""
    plan = supplied(good_plan(), nominal_v=25.2, charging_v=28.4)
    converter = Device("block", "Converter", "converter", output_v=13.8, rated_current_a=most_a)
    return with_parts(plan, (converter,))


def test_a_converter_carries_no_more_than_it_is_made_for() -> None:
    runs = facts(Context(through_a_converter(None))).by_id
    full_a = runs["to_amp6"].full_a + runs["to_mono"].full_a
    assert of("power-device-load", through_a_converter(None)) == []
    assert of("power-device-load", through_a_converter(full_a + 0.1)) == []
    (over,) = of("power-device-load", through_a_converter(full_a - 0.1))
    assert over.severity == "caution" and over.where[0] == "block"
    assert of("power-device-load", through_a_converter(5.0))[0].severity == "stop"


def test_behind_a_converter_the_current_is_larger_by_the_voltages() -> None:
    """Power is kept: 760 W over 0.8 at 13.8 V behind it, at 28.4 V before it."""
    runs = facts(Context(through_a_converter(None))).by_id
    before, behind = runs["main"].music_a, runs["to_amp6"].music_a + runs["to_mono"].music_a
    assert behind / before == pytest.approx(28.4 / 13.8, rel=1e-9)


def lithium_battery(*, converter: bool) -> Plan:
    """A second battery of lithium cells, charged past or through a converter."""
    cable = Conductor("4 AWG")
    kind = "converter" if converter else "isolator"
    return with_parts(
        good_plan(),
        (
            Device("link", "Link", kind, output_v=14.4 if converter else None),
            Device("second", "Second battery", "battery", battery_chemistry="lithium"),
        ),
        (
            Run("a", "feed", "battery", "link", cable, 1.0, fuse=Fuse(60.0, "strip", 0.2)),
            Run("b", "feed", "link", "second", cable, 2.0, far_fuse=Fuse(60.0, "strip", 0.2)),
            Run("c", "return", "second", "body", cable, 0.3),
        ),
    )


def test_a_lithium_battery_is_charged_through_something_that_limits_it() -> None:
    (finding,) = of("lithium-charging", lithium_battery(converter=False))
    assert finding.severity == "caution" and finding.where == ("second",)
    assert of("lithium-charging", lithium_battery(converter=True)) == []
    lead = changed(lithium_battery(converter=False), "devices", "second", battery_chemistry="agm")
    assert of("lithium-charging", lead) == []
    own = supplied(good_plan(), battery_chemistry="lithium", rest_v=13.3)
    assert [one.where for one in of("lithium-charging", own)] == [("supply",)]


def test_an_amplifier_s_own_fuses_carry_what_its_ratings_ask_for() -> None:
    """400 W over 0.8 at 14.4 V are 34.7 A; a fuse holds 1.35 times its rating for minutes."""
    full_a = demands(Context(good_plan()))["mono"].full_w / 14.4
    assert full_a == pytest.approx(400 / 0.8 / 14.4)
    for fuses_a, raised in (
        ((20.0,), True),
        ((25.0, 5.0), False),
        ((12.5, 12.5), True),
        ((), False),
    ):
        plan = changed(good_plan(), "devices", "mono", built_in_fuses_a=fuses_a)
        assert bool(of("built-in-fuses", plan)) is raised, fuses_a
    assert 20 * 1.35 < full_a < 30 * 1.35 and full_a > 25 * 1.35


def test_a_battery_just_charged_says_nothing_of_its_charge() -> None:
    """A full flooded battery rests at 12.65 V at 27 degC, 9 mV less at 20 degC."""
    (finding,) = of("battery-charge", supplied(good_plan(), rest_v=13.1))
    assert finding.severity == "note" and "not rested" in finding.title
    assert "headlights" in finding.what_to_do
    assert of("battery-charge", supplied(good_plan(), rest_v=12.70)) == []
    assert surface_charge_v(12.73, "flooded", 27.0) == 0.0
    assert surface_charge_v(12.77, "flooded", 27.0) == pytest.approx(0.12)
    assert surface_charge_v(12.77, "agm", 27.0) == 0.0
    figures = {one.label: one for one in report(supplied(good_plan(), rest_v=13.1)).figures}
    assert any("not rested" in one for one in figures["state of charge"].assumed)


def test_two_batteries_in_series_are_judged_one_by_one() -> None:
    on_24 = supplied(good_plan(), nominal_v=25.2, charging_v=28.4, rest_v=25.24)
    assert blocks(on_24.supply) == 2 and blocks(good_plan().supply) == 1
    assert of("battery-charge", on_24) == []
    (low,) = of("battery-charge", supplied(on_24, rest_v=24.4))
    assert "24.4 V" in low.title and "%" in low.title
    assert of("battery-charge", supplied(on_24, rest_v=12.6))[0].severity == "caution"


def test_reserve_capacity_stands_in_for_the_capacity() -> None:
    """Peukert's law backwards and forwards: the capacity found lasts the minutes at 25 A."""
    for minutes in (60.0, 110.0, 240.0):
        found = reserve_capacity_ah(minutes)
        assert peukert_hours(found, 25.0, 1.2) * 60 == pytest.approx(minutes, rel=1e-9)
        assert 25.0 * minutes / 60 < found
    assert reserve_capacity_ah(1500.0) == pytest.approx(625.0)
    with pytest.raises(WiringError, match="reserve_min"):
        reserve_capacity_ah(0.0)
    known = supplied(good_plan(), reserve_min=100.0)
    assert capacity_ah(known.supply) == 70.0
    assert capacity_ah(supplied(known, battery_ah=None).supply) == reserve_capacity_ah(100.0)


def test_a_plan_without_the_new_facts_is_written_as_before() -> None:
    document = dump(good_plan())
    for word in (b"factory_feed", b"reserve", b"cable", b"built_in", b"chemistry", b"bass_duty"):
        assert word not in document
    assert load(document) == good_plan()


def test_what_a_screen_says_behind_a_converter() -> None:
    """13.8 V less what the branch and its return lose, and the currents of that voltage."""
    plan = through_a_converter(None)
    solution = solve(plan)
    state, branch, back = (
        solution.devices["mono"],
        solution.runs["to_mono"],
        solution.runs["from_mono"],
    )
    assert branch.current_a == pytest.approx(back.current_a)
    assert branch.current_a / 400 * 0.8 == pytest.approx(1 / 13.8, rel=0.02)
    assert solution.return_v["mono"] == pytest.approx(
        back.drop_v + solution.return_v["body"], rel=1e-9
    )
    assert state.voltage_v == pytest.approx(
        13.8 - branch.drop_v - solution.return_v["mono"], rel=1e-9
    )
    assert solution.runs["main"].current_a < branch.current_a * 1.1
    assert solution.node_v["block"] > 28


def test_the_runs_between_two_sources_are_told() -> None:
    assert between_sources(Context(lithium_battery(converter=False))) == {"a", "b"}
    assert between_sources(Context(good_plan())) == frozenset()
