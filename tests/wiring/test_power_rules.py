"""Each power rule seen to fire on one fault in a good plan, and to keep quiet without it."""

import json
from math import log, pi, sqrt
from pathlib import Path
from typing import Any

import msgspec
import pytest

from tests.wiring.plans import (
    assuming,
    changed,
    good_plan,
    large_plan,
    supplied,
    without,
)
from wiring.__main__ import main
from wiring.check import check
from wiring.findings import Finding
from wiring.plan import Conductor, Fuse, Plan, Rating, Run, dump
from wiring.power.conductors import ampacity
from wiring.power.solution import solve

Change = dict[str, Any]


def found(plan: Plan) -> dict[str, Finding]:
    """The worst finding of each rule."""
    first: dict[str, Finding] = {}
    for finding in check(plan):
        first.setdefault(finding.rule, finding)
    return first


@pytest.mark.parametrize("plan", [good_plan(), large_plan()], ids=["good", "large"])
def test_a_good_plan_has_no_stop_and_no_caution(plan: Plan) -> None:
    assert [each.title for each in check(plan) if each.severity != "note"] == []


RUN_FAULTS: list[tuple[str, str, str, Change, str]] = [
    ("power-conductor-known", "stop", "main", {"conductor": Conductor("4")}, "22 AWG"),
    ("power-conductor-known", "stop", "main", {"conductor": Conductor("24 AWG")}, "24 AWG"),
    (
        "power-conductor-known",
        "stop",
        "main",
        {"conductor": Conductor("1/0 AWG", insulation_c=60.0), "place": "engine_bay"},
        "70 degC",
    ),
    ("power-run-astray", "caution", "from_mono", {"from_node": "nowhere"}, "nowhere"),
    ("power-run-astray", "stop", "to_mono", {"to_node": "body"}, "body"),
    ("power-path-missing", "stop", "to_mono", {"to_node": "other"}, "no power feed"),
    ("power-path-missing", "stop", "from_mono", {"to_node": "other"}, "no return"),
    ("power-conductor-load", "caution", "from_mono", {"conductor": Conductor("14 AWG")}, "32.6 A"),
    ("power-return-small", "stop", "from_mono", {"conductor": Conductor("10 AWG")}, "60 A"),
    ("power-drop", "caution", "main", {"length_m": 60.0}, "3.2%"),
    ("fuse-missing", "stop", "main", {"fuse": None}, "4.50 m"),
    (
        "fuse-over-conductor",
        "stop",
        "main",
        {"conductor": Conductor("6 AWG", "copper", 60)},
        "65.3 A",
    ),
    ("fuse-over-conductor", "stop", "to_amp6", {"fuse": Fuse(200, "strip", 0.1)}, "149.0 A"),
    (
        "fuse-over-conductor",
        "stop",
        "to_amp6",
        {"fuse": None, "conductor": Conductor("10 AWG")},
        "size change",
    ),
    ("fuse-standard", "caution", "main", {"fuse": Fuse(110, "strip", 0.3)}, "110 A"),
    ("fuse-standard", "caution", "main", {"fuse": Fuse(100, "tin foil", 0.3)}, "tin foil"),
    ("fuse-distance", "caution", "main", {"fuse": Fuse(100, "strip", 0.8)}, "0.80 m"),
    ("fuse-distance", "stop", "main", {"fuse": Fuse(100, "strip", 1.0)}, "0.45 m"),
    ("fuse-under-load", "caution", "main", {"fuse": Fuse(60, "strip", 0.3)}, "full output"),
    ("fuse-under-load", "stop", "main", {"fuse": Fuse(10, "blade", 0.3)}, "long-term"),
    ("fuse-clears", "stop", "main", {"fuse": Fuse(500, "strip", 0.3), "length_m": 40.0}, "open"),
    (
        "fuse-clears",
        "stop",
        "to_amp6",
        {"fuse": None, "conductor": Conductor("16 AWG")},
        "stands",
    ),
    ("fuse-breaking", "caution", "main", {"fuse": Fuse(100, "bolt-in 30 mm", 0.1)}, "1000 A"),
    ("fuse-breaking", "note", "to_mono", {"fuse": Fuse(60, "glass 10 x 38 mm", 0.1)}, "published"),
    ("fuse-order", "note", "to_mono", {"fuse": Fuse(80, "strip", 0.1)}, "close to"),
    ("fuse-order", "caution", "to_mono", {"fuse": Fuse(125, "strip", 0.1)}, "larger than"),
]


@pytest.mark.parametrize(("rule", "severity", "run_id", "change", "words"), RUN_FAULTS)
def test_run_fault(rule: str, severity: str, run_id: str, change: Change, words: str) -> None:
    finding = found(changed(good_plan(), "runs", run_id, **change))[rule]
    assert finding.severity == severity
    assert words in finding.title
    assert finding.where and finding.what_to_do and finding.source


NEAR_MISSES: list[tuple[str, str, Change]] = [
    ("power-conductor-known", "main", {"conductor": Conductor("4 awg")}),
    (
        "power-conductor-known",
        "main",
        {"conductor": Conductor("1/0 AWG", insulation_c=75.0), "place": "engine_bay"},
    ),
    ("power-conductor-load", "from_mono", {"conductor": Conductor("12 AWG")}),
    ("power-return-small", "from_mono", {"conductor": Conductor("8 AWG")}),
    ("power-drop", "main", {"length_m": 40.0}),
    ("fuse-over-conductor", "to_amp6", {"fuse": Fuse(125, "strip", 0.1)}),
    ("fuse-over-conductor", "to_amp6", {"fuse": None, "conductor": Conductor("6 AWG")}),
    ("fuse-standard", "main", {"fuse": Fuse(100, " Strip ", 0.3)}),
    ("fuse-distance", "main", {"fuse": Fuse(100, "strip", 0.45)}),
    ("fuse-under-load", "main", {"fuse": Fuse(80, "strip", 0.3)}),
    ("fuse-clears", "main", {"fuse": Fuse(150, "strip", 0.3), "length_m": 8.0}),
    ("fuse-breaking", "main", {"fuse": Fuse(100, "strip", 0.1)}),
    ("fuse-order", "to_mono", {"fuse": Fuse(62.5, "strip", 0.1)}),
    ("fuse-missing", "to_mono", {"fuse": None}),
]


@pytest.mark.parametrize(("rule", "run_id", "change"), NEAR_MISSES)
def test_run_near_miss(rule: str, run_id: str, change: Change) -> None:
    """Almost the fault beside it in `RUN_FAULTS`, and none: what is allowed is not cried at."""
    assert rule not in found(changed(good_plan(), "runs", run_id, **change))


DEVICE_FAULTS: list[tuple[str, str, Change, str]] = [
    ("power-no-figures", "caution", {"ratings": ()}, "understated"),
    ("power-turn-on", "caution", {"turn_on_by": None}, "nowhere"),
    ("power-turn-on", "caution", {"turn_on": "not_needed"}, "nothing is said"),
    ("power-turn-on", "caution", {"turn_on": "interface_module"}, "no interface module"),
    ("power-turn-on", "stop", {"turn_on_by": "ghost"}, "not in the plan"),
    ("power-turn-on", "stop", {"turn_on_by": "mono"}, "itself"),
    ("power-cut-off", "stop", {"min_supply_v": 13.95}, "engine running"),
    ("power-cut-off", "caution", {"min_supply_v": 12.0}, "engine off"),
]


@pytest.mark.parametrize(("rule", "severity", "change", "words"), DEVICE_FAULTS)
def test_device_fault(rule: str, severity: str, change: Change, words: str) -> None:
    finding = found(changed(good_plan(), "devices", "mono", **change))[rule]
    assert (finding.severity, finding.where[0]) == (severity, "mono")
    assert words in finding.title


DEVICE_NEAR_MISSES: list[tuple[str, Change]] = [
    ("power-no-figures", {"ratings": (Rating(2.0, 400.0),)}),
    ("power-turn-on", {"turn_on": "signal_sense", "turn_on_by": None}),
    ("power-turn-on", {"turn_on": "interface_module", "turn_on_by": "module"}),
    ("power-cut-off", {"min_supply_v": 11.6}),
]


@pytest.mark.parametrize(("rule", "change"), DEVICE_NEAR_MISSES)
def test_device_near_miss(rule: str, change: Change) -> None:
    assert rule not in found(changed(good_plan(), "devices", "mono", **change))


SUPPLY_NEAR_MISSES: list[tuple[str, Change]] = [
    ("key-off-draw", {"key_off_after_a": 0.05}),
    ("key-off-added", {"key_off_before_a": 0.001, "key_off_after_a": 0.05}),
    ("charging-balance", {"alternator_a": 53.0, "alternator_idle_a": 53.0}),
    ("battery-charge", {"rest_v": 12.45}),
]


@pytest.mark.parametrize(("rule", "change"), SUPPLY_NEAR_MISSES)
def test_supply_near_miss(rule: str, change: Change) -> None:
    assert rule not in found(supplied(good_plan(), **change))


SUPPLY_FAULTS: list[tuple[str, str, Change, str]] = [
    ("key-off-draw", "caution", {"key_off_after_a": 0.09}, "90 mA"),
    ("key-off-added", "caution", {"key_off_before_a": 0.01, "key_off_after_a": 0.07}, "60 mA"),
    ("charging-balance", "caution", {"alternator_a": 40.0}, "cruising"),
    ("charging-balance", "note", {"alternator_idle_a": 40.0}, "idling"),
    ("battery-charge", "note", {"rest_v": 12.2}, "charge"),
    ("battery-charge", "caution", {"rest_v": 20.0}, "believable"),
]


@pytest.mark.parametrize(("rule", "severity", "change", "words"), SUPPLY_FAULTS)
def test_supply_fault(rule: str, severity: str, change: Change, words: str) -> None:
    finding = found(supplied(good_plan(), **change))[rule]
    assert finding.severity == severity
    assert words in finding.title


def test_a_supply_that_cannot_carry_full_output_is_a_stop() -> None:
    thin = {"conductor": Conductor("16 AWG"), "length_m": 9.0}
    findings = found(changed(good_plan(), "runs", "main", **thin))
    assert findings["power-supply-carries"].severity == "stop"
    assert "%" in findings["power-supply-carries"].title


def test_fuse_at_the_cable_s_limit_is_allowed_and_a_hair_above_is_not() -> None:
    """The rule and the table meet: 150 A on a cable for exactly that."""
    allowed = ampacity("4 AWG", ambient_c=40.0).current_a
    at, over = allowed, allowed * 1.0001
    for rating, fires in ((at, False), (over, True)):
        plan = changed(good_plan(), "runs", "to_mono", fuse=Fuse(rating, "strip", 0.1))
        assert ("fuse-over-conductor" in found(plan)) is fires


def test_marine_rules_are_an_option_and_say_so() -> None:
    """150 % of the conductor under 33 CFR 183.455, and 7 in to the fuse; never by default."""
    plan = changed(good_plan(), "runs", "to_mono", fuse=Fuse(200, "strip", 0.1))
    assert "fuse-over-conductor" in found(plan)
    marine = found(assuming(plan, rule_book="marine"))
    assert "fuse-over-conductor" not in marine
    assert marine["fuse-distance"].severity == "stop"
    assert "33 CFR 183.455" in marine["fuse-distance"].source
    sheathed = changed(plan, "runs", "main", sheathed=True)
    assert "fuse-distance" not in found(assuming(sheathed, rule_book="marine"))


def test_a_short_bare_lead_to_a_fuse_holder_is_one_distance() -> None:
    """[battery] --0.3 m, no fuse--> [holder] --fuse at 0.1 m--> [block]: 0.4 m in all."""
    plan = good_plan()
    lead = Run("lead", "feed", "battery", "holder", Conductor("1/0 AWG"), 0.3)
    plan = changed(plan, "runs", "main", from_node="holder", fuse=Fuse(100, "strip", 0.1))
    plan = msgspec.structs.replace(plan, runs=(lead, *plan.runs))
    assert not {"fuse-missing", "fuse-distance"} & set(found(plan))
    longer = changed(plan, "runs", "lead", length_m=0.6)
    assert found(longer)["fuse-missing"].severity == "stop"
    assert "0.70 m" in found(longer)["fuse-distance"].title


def test_bare_leads_add_up() -> None:
    """[battery] --0.2 m--> [a] --0.2 m--> [b] --fuse at 0.1 m--> [block]: 0.5 m, over 0.45 m."""
    plan = changed(good_plan(), "runs", "main", from_node="b", fuse=Fuse(100, "strip", 0.1))
    cable = Conductor("1/0 AWG")
    leads = (
        Run("lead1", "feed", "battery", "a", cable, 0.2),
        Run("lead2", "feed", "a", "b", cable, 0.2),
    )
    plan = msgspec.structs.replace(plan, runs=(*leads, *plan.runs))
    assert "0.50 m" in found(plan)["fuse-distance"].title


@pytest.mark.parametrize("label", ["18 AWG", "16 AWG", "14 AWG", "12 AWG", "10 AWG", "8 AWG"])
def test_a_cable_survives_when_its_energy_is_enough(label: str) -> None:
    """I^2 t <= k^2 S^2 by hand, for a branch behind a 40 A blade fuse.

    It opens by 0.1 s at 6 times its rating, and beyond that lets no more energy through.
    """
    change = {"conductor": Conductor(label), "fuse": Fuse(40, "blade", 0.1), "length_m": 1.0}
    plan = changed(good_plan(), "runs", "to_mono", **change)
    solution = solve(plan)
    path = solution.runs["main"].resistance_ohm + solution.runs["to_mono"].resistance_ohm
    current = 12.6 / (0.006 + path + 0.001)
    assert current > 6 * 40
    let_through = (6 * 40) ** 2 * 0.1
    area = pi / 4 * (0.127 * 92 ** ((36 - int(label.split()[0])) / 39)) ** 2
    k = 226 * sqrt(log(1 + (160 - 105) / (234.5 + 105)))
    assert ("fuse-clears" in found(plan)) is (let_through > (k * area) ** 2)


def test_both_sides_of_the_adiabatic_limit_occur() -> None:
    """A slower body lets more through: 60 A bolt-in, 1 s at 6 times, 129 600 A2s, 4.1 mm2."""
    for label, fires in (("12 AWG", True), ("10 AWG", False)):
        change = {"conductor": Conductor(label), "fuse": Fuse(60, "bolt-in 30 mm", 0.1)}
        plan = changed(good_plan(), "runs", "to_mono", **change)
        stops = [each for each in check(plan) if each.rule == "fuse-clears"]
        assert bool(stops) is fires


def test_an_interface_module_needs_no_remote_wire() -> None:
    plan = changed(good_plan(), "devices", "mono", turn_on="interface_module", turn_on_by="module")
    assert "power-turn-on" not in found(plan)


def test_no_plan_makes_the_rules_fail() -> None:
    """Half-entered plans are looked at too: each part missing in turn, and nothing at all."""
    plan = good_plan()
    assert check(Plan()) == ()
    for part in ("devices", "speakers", "channels", "runs"):
        for each in getattr(plan, part):
            check(without(plan, part, each.id))
        check(msgspec.structs.replace(plan, **{part: ()}))
    for run in plan.runs:
        check(changed(plan, "runs", run.id, from_node=run.to_node))
        check(changed(plan, "runs", run.id, from_node=run.to_node, to_node=run.from_node))


def test_fingerprints_hold_while_the_numbers_change() -> None:
    first = found(changed(good_plan(), "runs", "main", length_m=60.0))["power-drop"]
    second = found(changed(good_plan(), "runs", "main", length_m=61.0))["power-drop"]
    assert first.title != second.title
    assert first.fingerprint == second.fingerprint


class TestCommandLine:
    """`python -m wiring`."""

    def test_good_plan(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "plan.json"
        file.write_bytes(dump(good_plan()))
        assert main(["check", str(file)]) == 0
        assert "No findings." in capsys.readouterr().out

    def test_stop(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "plan.json"
        file.write_bytes(dump(changed(good_plan(), "runs", "main", fuse=None)))
        assert main(["check", str(file), "--figures"]) == 1
        text = capsys.readouterr().out
        assert text.startswith("STOP") and "fuse-missing" in text and "stop" in text
        assert main(["check", str(file), "--json"]) == 1
        read = json.loads(capsys.readouterr().out)
        assert msgspec.convert(read[0], Finding).rule == "fuse-missing"

    @pytest.mark.parametrize(
        ("content", "words"), [("{", "not JSON"), ('{"runs": [1]}', "schema"), (None, "No such")]
    )
    def test_unreadable(
        self,
        content: str | None,
        words: str,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        file = tmp_path / "plan.json"
        if content is not None:
            file.write_text(content)
        assert main(["check", str(file)]) == 2
        assert words in capsys.readouterr().err

    def test_schema(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["schema"]) == 0
        assert "2020-12" in json.loads(capsys.readouterr().out)["$schema"]


@pytest.mark.parametrize(("distance_m", "told"), [(0.40, 0), (0.50, 1)])
@pytest.mark.parametrize(("rating_a", "guards"), [(100.0, False), (40.0, True)])
def test_a_cable_that_gets_smaller_has_its_fuse_near_there(
    rating_a: float, guards: bool, distance_m: float, told: int
) -> None:
    """The main fuse stands in for the branch's own only where it is small enough for that cable."""
    plan = changed(good_plan(), "runs", "main", fuse=Fuse(rating_a, "strip", 0.3))
    branch = {"conductor": Conductor("8 AWG"), "fuse": Fuse(40.0, "strip", distance_m)}
    raised = found(changed(plan, "runs", "to_mono", **branch)).get("fuse-distance")
    assert bool(raised) == (bool(told) and not guards)
    assert raised is None or (raised.where == ("to_mono",) and "0.50 m" in raised.title)
