"""Hard plans, each with the findings it must give and why, and complete cars that give none.

One case is one file: `reason`, `plan` (a document), `expected` (rule, severity, ids it must speak
of), `absent` (rules that must be silent), and tape-measured `distances_m` where it has any.
"""

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from tests.wiring import turned
from tests.wiring.told import CLEAN, HARD, KEPT, told
from wiring.check import check, findings_of
from wiring.context import RULES, Context
from wiring.plan import Channel, Plan, from_builtins

MOST_CAUTIONS = 2
IN_ORDER = next(path for path in CLEAN if path.stem == "centre-speaker-and-digital-line")
OF_NEIGHBOURS = frozenset(
    {"side-unpaired", "fuse-order", "power-return-small"}
    | {"crossover-match", "crossover-cancels", "crossover-sum"}
)
"""Rules that judge a row by those beside it: another system in the car may answer for it."""


TWICE = frozenset({"channels-one-channel-in-two-rows", "channels-two-on-one-coil"})
"""Plans with two rows for one thing: which of the two is spoken of hangs on their order."""


@cache
def case(path: Path) -> dict[str, Any]:
    read = json.loads(path.read_text(encoding="utf-8"))
    assert isinstance(read, dict)
    return read


def name(path: Path) -> str:
    return path.stem


def test_what_is_told_of_each_plan_is_what_was_read() -> None:
    """`tests/wiring/told.py` says how the text is made anew, and who reads it first."""
    assert told() == KEPT.read_text(encoding="utf-8")


def test_what_turns_a_finding_is_what_was_read() -> None:
    """`tests/wiring/turned.py` says what its text holds and how it is made anew."""
    assert turned.turned() == turned.KEPT.read_text(encoding="utf-8")


def _exchanged(plan: Plan) -> Plan:
    """The first and the last channel with what was entered of each other; all else as it was."""
    if len(plan.channels) < 2:
        return plan
    first, *others, last = plan.channels
    entered = ("setting", "wire", "cable", "measured_load_ohm", "output_limit_v", "polarity_heard")

    def as_of(one: Channel, other: Channel) -> Channel:
        return replace(one, **{name: getattr(other, name) for name in entered})

    return replace(plan, channels=(as_of(first, last), *others, as_of(last, first)))


def test_what_a_check_keeps_is_what_every_rule_finds_in_the_whole_plan() -> None:
    """Each group of rules is shown a part of the plan alone: nothing they look at is left out."""
    for path in (*HARD, *CLEAN):
        plan, distances_m = from_builtins(case(path)["plan"]), case(path).get("distances_m")
        for one in (plan, replace(plan, unfinished=True), _exchanged(plan), plan):
            context = Context(one, distances_m)
            assert check(one, distances_m) == findings_of(context, RULES.values()), path.stem


@pytest.mark.parametrize("path", HARD, ids=name)
def test_a_hard_plan_gives_what_it_must_and_nothing_it_must_not(path: Path) -> None:
    hard = case(path)
    findings = check(from_builtins(hard["plan"]), hard.get("distances_m"))
    told = [f"{f.severity} {f.rule} {f.where}: {f.title}" for f in findings]
    for wanted in hard["expected"]:
        assert any(
            f.rule == wanted["rule"]
            and f.severity == wanted["severity"]
            and set(wanted["where"]) <= set(f.where)
            for f in findings
        ), (wanted, hard["reason"], told)
    cried = [f.title for f in findings if f.rule in hard["absent"]]
    assert cried == [], (hard["reason"], cried)


def named(node: Any, ids: set[str]) -> Any:
    """A part of a plan with other ids."""
    if isinstance(node, dict):
        return {key: value if key == "kind" else named(value, ids) for key, value in node.items()}
    if isinstance(node, list):
        return [named(one, ids) for one in node]
    return f"other-{node}" if isinstance(node, str) and node in ids else node


def beside(first: dict[str, Any], second: dict[str, Any]) -> dict[str, Any]:
    """One car with both systems: the rows of `first` stand before, under other ids."""
    tables = ("devices", "speakers", "channels", "runs")
    other = named(first, {row["id"] for table in tables for row in first.get(table, ())})
    rows = {table: [*other.get(table, ()), *second.get(table, ())] for table in tables}
    return {**other, **second, **rows}


@pytest.mark.parametrize("path", [path for path in HARD if case(path)["expected"]], ids=name)
def test_what_is_wrong_is_told_beside_another_system_too(path: Path) -> None:
    """After a system that is in order, and after one that is wrong in the same way."""
    hard = case(path)
    wanted = {
        (one["rule"], where)
        for one in hard["expected"]
        if one["rule"] not in OF_NEIGHBOURS
        for where in one["where"]
    }
    for first in (case(IN_ORDER)["plan"], hard["plan"]):
        findings = check(from_builtins(beside(first, hard["plan"])), hard.get("distances_m"))
        assert wanted <= {(one.rule, where) for one in findings for where in one.where}


def backwards(plan: dict[str, Any]) -> dict[str, Any]:
    """The same car with every table written from its last row to its first."""
    return {name: rows[::-1] if isinstance(rows, list) else rows for name, rows in plan.items()}


@pytest.mark.parametrize(
    "path", [path for path in (*CLEAN, *HARD) if path.stem not in TWICE], ids=name
)
def test_the_order_of_the_rows_changes_nothing(path: Path) -> None:
    """Alone, and beside a system that is in order, save where two systems have one neighbour."""
    plan, distances_m = case(path)["plan"], case(path).get("distances_m")

    def told(car: dict[str, Any], silent: frozenset[str]) -> set[tuple[str, ...]]:
        findings = check(from_builtins(car), distances_m)
        return {
            (one.severity, one.rule, *sorted(one.where))
            for one in findings
            if one.rule not in silent
        }

    both = beside(case(IN_ORDER)["plan"], plan)
    sides = OF_NEIGHBOURS | {"sides-crossed", "sides-differ"}
    for car, silent in ((plan, frozenset[str]()), (both, sides)):
        assert told(car, silent) == told(backwards(car), silent)


@pytest.mark.parametrize("path", CLEAN, ids=name)
def test_a_clean_car_gives_no_stop_and_hardly_a_caution(path: Path) -> None:
    findings = check(from_builtins(case(path)["plan"]))
    told = [f"{f.severity} {f.rule}: {f.title}" for f in findings if f.severity != "note"]
    assert not any(f.severity == "stop" for f in findings), told
    assert len(told) <= MOST_CAUTIONS, told


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_has_a_case_that_raises_it_and_a_near_miss(rule: str) -> None:
    assert any(wanted["rule"] == rule for path in HARD for wanted in case(path)["expected"])
    assert any(rule in case(path)["absent"] for path in HARD)


def test_every_case_says_why_and_names_rules_there_are() -> None:
    for path in HARD:
        hard = case(path)
        assert set(hard) - {"distances_m"} == {"reason", "plan", "expected", "absent"}, path
        assert len(hard["reason"]) > 20, path
        assert hard["expected"] or hard["absent"], path
        named = {*hard["absent"], *(wanted["rule"] for wanted in hard["expected"])}
        assert named <= set(RULES), path
    for path in CLEAN:
        assert set(case(path)) == {"what", "plan"}, path
