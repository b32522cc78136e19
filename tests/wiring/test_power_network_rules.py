"""What is judged by following the power network: each rule raised once, and a near miss of it."""

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from tests.wiring.plans import assuming, changed, good_plan, second_battery, supplied
from wiring.__main__ import main
from wiring.check import check
from wiring.errors import SMALLEST, WiringError, require_not_negative, require_positive
from wiring.findings import Finding
from wiring.plan import Conductor, Device, Fuse, Plan, PlanError, Run, dump, load


def of(rule: str, plan: Plan) -> list[Finding]:
    return [one for one in check(plan) if one.rule == rule]


def shared_return(size: str) -> Plan:
    """Both amplifiers return to one post, and from there over one cable to the body."""
    plan = changed(good_plan(), "runs", "from_amp6", to_node="post")
    plan = changed(plan, "runs", "from_mono", to_node="post")
    post = Run("post", "return", "post", "body", Conductor(size), 0.4)
    return msgspec.structs.replace(plan, runs=(*plan.runs, post))


def test_a_shared_return_is_judged_by_what_it_carries_whatever_its_nodes_are_called() -> None:
    (finding,) = of("power-return-small", shared_return("10 AWG"))
    assert (finding.severity, finding.where[0]) == ("stop", "post")
    assert of("power-return-small", shared_return("4 AWG")) == []


def test_two_equal_returns_of_one_device_share_its_fault() -> None:
    thin = changed(good_plan(), "runs", "from_mono", conductor=Conductor("10 AWG"))
    assert [one.where[0] for one in of("power-return-small", thin)] == ["from_mono"]
    second = msgspec.structs.replace(
        next(run for run in thin.runs if run.id == "from_mono"), id="from_mono_2"
    )
    both = msgspec.structs.replace(thin, runs=(*thin.runs, second))
    assert of("power-return-small", both) == []


@pytest.mark.parametrize("run_id", ["to_mono", "from_mono"])
def test_a_run_entered_backwards_is_said_to_be_that_and_nothing_else(run_id: str) -> None:
    plan = good_plan()
    run = next(one for one in plan.runs if one.id == run_id)
    turned = changed(plan, "runs", run_id, from_node=run.to_node, to_node=run.from_node)
    (finding,) = of("power-run-backwards", turned)
    assert finding.severity == "stop" and finding.where == (run_id,)
    assert finding.what_to_do.startswith("Turn it round")
    before = {(one.rule, one.where) for one in check(plan)}
    after = {(one.rule, one.where) for one in check(turned)}
    assert after - before == {("power-run-backwards", (run_id,))}
    assert of("power-run-backwards", plan) == []


def test_a_fuse_in_a_return() -> None:
    plan = changed(good_plan(), "runs", "from_mono", fuse=Fuse(60.0, "strip", 0.1))
    assert [(one.severity, one.where) for one in of("fuse-in-return", plan)] == [
        ("caution", ("from_mono",))
    ]
    assert of("fuse-in-return", good_plan()) == []


def test_a_cable_between_two_batteries_is_fused_at_both_ends() -> None:
    (finding,) = of("battery-both-ends", second_battery(0.2, None))
    assert (finding.severity, finding.where) == ("stop", ("link", "second"))
    assert "3.10 m" in finding.title
    assert of("battery-both-ends", second_battery(0.2, 0.3)) == []
    assert of("battery-both-ends", second_battery(0.2, 0.9))[0].where[0] == "link"
    assert [one.where[0] for one in of("fuse-missing", second_battery(None, 0.3))] == ["link"]


def test_what_hangs_from_a_second_battery_needs_a_fuse_there() -> None:
    plan = changed(second_battery(0.2, 0.3), "runs", "to_mono", from_node="second", fuse=None)
    (finding,) = of("fuse-missing", plan)
    assert finding.where == ("to_mono",) and "Second battery" in finding.title
    fused = changed(plan, "runs", "to_mono", fuse=Fuse(60.0, "strip", 0.1))
    assert of("fuse-missing", fused) == []


def on_24_v(**more: Any) -> Plan:
    plan = supplied(good_plan(), nominal_v=25.2, charging_v=28.2)
    return changed(plan, "devices", "mono", **more)


def test_a_12_v_device_on_24_v() -> None:
    assert {one.where[0] for one in of("power-voltage", on_24_v())} == {"amp6", "mono"}
    assert {one.severity for one in of("power-voltage", on_24_v())} == {"stop"}
    assert [one.where[0] for one in of("power-voltage", on_24_v(max_supply_v=32.0))] == ["amp6"]
    assert of("power-voltage", good_plan()) == []
    assert of("power-voltage", supplied(good_plan(), charging_v=15.0)) == []


def test_a_converter_before_the_block_brings_the_voltage_down() -> None:
    plan = supplied(good_plan(), nominal_v=25.2, charging_v=28.2)
    converter = Device("block", "Converter", "converter", output_v=13.8)
    plan = msgspec.structs.replace(plan, devices=(*plan.devices, converter))
    assert of("power-voltage", plan) == []
    wrong = changed(plan, "devices", "block", output_v=24.0)
    assert {one.where[0] for one in of("power-voltage", wrong)} == {"amp6", "mono"}


def test_devices_that_wait_for_each_other_never_wake() -> None:
    loop = changed(good_plan(), "devices", "amp6", turn_on="remote_wire", turn_on_by="mono")
    (finding,) = of("turn-on-loop", loop)
    assert finding.severity == "stop" and set(finding.where) == {"amp6", "mono"}
    assert of("turn-on-loop", good_plan()) == []
    ended = changed(loop, "devices", "mono", turn_on="signal_sense", turn_on_by=None)
    assert of("turn-on-loop", ended) == []


def test_a_remote_output_asked_for_too_much() -> None:
    plan = changed(good_plan(), "devices", "amp6", trigger_output_a=0.1, trigger_outputs=1)
    assert of("turn-on-limit", plan) == []
    none = changed(plan, "devices", "amp6", trigger_outputs=0)
    assert of("turn-on-limit", none)[0].severity == "stop"
    exact = changed(plan, "devices", "mono", trigger_input_a=0.1)
    assert of("turn-on-limit", exact) == []
    over = changed(plan, "devices", "mono", trigger_input_a=0.11)
    assert [one.severity for one in of("turn-on-limit", over)] == ["stop"]
    guessed = changed(plan, "devices", "amp6", trigger_output_a=0.01)
    assert [one.severity for one in of("turn-on-limit", guessed)] == ["caution"]


def test_music_and_full_output_have_limits_of_their_own() -> None:
    long = changed(good_plan(), "runs", "main", length_m=18.0)
    assert {one.detail for one in of("power-drop", long)} == set()
    full = assuming(long, max_full_drop_fraction=0.03)
    assert {one.detail for one in of("power-drop", full)} == {"full"}
    music = assuming(long, max_full_drop_fraction=1.0, max_drop_fraction=0.002)
    assert {one.detail for one in of("power-drop", music)} == {"music"}
    assert "long-term" in of("power-drop", music)[0].title


def test_the_short_at_a_fuse_counts_the_fuse_and_its_connections() -> None:
    """12.6 V over 6 mohm of battery alone is 2100 A; a 30 A blade's own 2.7 mohm counts too."""
    plan = changed(good_plan(), "runs", "main", fuse=Fuse(30.0, "blade", 0.0))
    (finding,) = of("fuse-breaking", plan)
    cold_ohm, joint_ohm = 0.08 / 30.0, 0.0002
    assert finding.figures[0].value == pytest.approx(
        12.6 / (0.006 + cold_ohm + joint_ohm), rel=1e-6
    )
    assert "strip" not in finding.what_to_do, "a body with no standard is not what it leads to"
    assert "bolt-in 51 mm" in finding.what_to_do


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e-300])
def test_what_is_no_quantity_is_refused_with_its_field(value: float) -> None:
    for require in (require_positive, require_not_negative):
        with pytest.raises(WiringError) as caught:
            require("length_m", value, "m")
        assert caught.value.field == "length_m" and caught.value.reason


def test_a_plan_with_a_slip_is_refused_by_its_place(tmp_path: Path) -> None:
    plan = json.loads(dump(good_plan()))
    plan["runs"][1]["length_m"] = 1e-300
    with pytest.raises(PlanError, match=rf"plan\.runs\.{plan['runs'][1]['id']}\.length_m"):
        load(json.dumps(plan))
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan))
    assert main(["check", str(path)]) == 2
    plan["runs"][1]["length_m"] = 2 * SMALLEST
    path.write_text(json.dumps(plan))
    assert main(["check", str(path)]) in {0, 1}


def test_a_plan_without_the_new_figures_reads_as_before() -> None:
    document = dump(good_plan())
    assert b"far_fuse" not in document and b"trigger" not in document
    assert load(document) == good_plan()


def test_a_fuse_at_the_far_end_is_not_larger_than_the_cable_either() -> None:
    """From the second battery the far fuse protects the cables towards the first one."""
    plan = changed(second_battery(0.2, 0.3), "runs", "first", fuse=Fuse(60.0, "strip", 0.2))
    assert of("fuse-over-conductor", plan) == []
    thin = changed(plan, "runs", "link", conductor=Conductor("6 AWG"))
    (finding,) = of("fuse-over-conductor", thin)
    assert finding.where == ("link", "second") and "150 A" in finding.title
    fitting = changed(thin, "runs", "link", far_fuse=Fuse(100.0, "strip", 0.3))
    assert of("fuse-over-conductor", fitting) == []
    beyond = changed(plan, "runs", "first", conductor=Conductor("6 AWG"))
    assert [one.where for one in of("fuse-over-conductor", beyond)] == [("first", "second")]


def test_the_body_of_a_fuse_at_the_far_end_is_looked_at() -> None:
    plan = second_battery(0.2, 0.3)
    assert of("fuse-standard", plan) == []
    odd = changed(plan, "runs", "link", far_fuse=Fuse(151.0, "strip", 0.3))
    assert [one.where for one in of("fuse-standard", odd)] == [("link",)]
