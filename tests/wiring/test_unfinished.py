"""While rows are entered, what nobody began is not told as missing; what was passed over is."""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from tests.wiring.plans import good_plan
from wiring.check import check
from wiring.plan import Channel, Plan, Run, Wire

replace = msgspec.structs.replace
Change = Callable[[Channel], dict[str, Any]]


def _channels(change: Change) -> Plan:
    plan = good_plan()
    return replace(plan, channels=tuple(replace(one, **change(one)) for one in plan.channels))


def _wires(*written: str, proved: tuple[str, ...] = ()) -> Plan:
    """The wires of these channels alone; those of `proved` are."""

    def change(one: Channel) -> dict[str, Any]:
        if one.id not in written or one.wire is None:
            return {"wire": None}
        return {"wire": replace(one.wire, polarity_proved=True if one.id in proved else None)}

    return _channels(change)


def _same_leads(cavity: str) -> Plan:
    def change(one: Channel) -> dict[str, Any]:
        if one.id != "amp6.5" or one.wire is None:
            return {}
        lead = replace(one.wire.positive, cavity=cavity)
        return {"wire": Wire("C1", lead, lead, polarity_proved=True)}

    return _channels(change)


def _nothing_fed(device: str, **left: Any) -> Plan:
    """No channel of a device feeds anything; of those, `left` still do."""
    return _channels(
        lambda one: (
            {}
            if one.device != device or one.id in left
            else {"speakers": (), "feeds_device": None, "feeds_input": None}
        )
    )


def _asleep(plan: Plan, device: str) -> Plan:
    devices = tuple(
        replace(one, turn_on="not_needed", turn_on_by=None) if one.id == device else one
        for one in plan.devices
    )
    return replace(plan, devices=devices)


def _runs(*kept: Callable[[Run], bool]) -> Plan:
    plan = good_plan()
    return replace(plan, runs=tuple(run for run in plan.runs if any(keep(run) for keep in kept)))


def _at(device: str, kind: str) -> Callable[[Run], bool]:
    return lambda run: run.kind == kind and device in (run.from_node, run.to_node)


def _up_to(run_id: str) -> Plan:
    plan = good_plan()
    names = [run.id for run in plan.runs]
    return replace(plan, runs=plan.runs[: names.index(run_id) + 1])


FIRST_THREE = ("amp6.1", "amp6.2", "amp6.3")


@pytest.mark.parametrize(
    ("plan", "rule", "where", "told"),
    [
        (_wires(), "wire-not-written", "amp6.1", False),
        (_wires(*FIRST_THREE), "wire-not-written", "amp6.4", False),
        (_wires("amp6.1", "amp6.3"), "wire-not-written", "amp6.2", True),
        (_wires("amp6.6"), "wire-not-written", "mono.1", False),
        (_wires(*FIRST_THREE), "polarity-not-proved", "amp6.1", False),
        (_wires(*FIRST_THREE, proved=("amp6.2",)), "polarity-not-proved", "amp6.1", True),
        (_same_leads(""), "wire-colour", "amp6.5", False),
        (_same_leads("9"), "wire-colour", "amp6.5", True),
        (_nothing_fed("mono"), "wire-without-speaker", "mono.1", False),
        (_nothing_fed("amp6", **{"amp6.2": True}), "wire-without-speaker", "amp6.1", True),
        (_asleep(_nothing_fed("mono"), "mono"), "power-turn-on", "mono", False),
        (_asleep(good_plan(), "mono"), "power-turn-on", "mono", True),
        (_runs(_at("amp6", "feed")), "power-path-missing", "mono", False),
        (_runs(_at("amp6", "feed")), "power-path-missing", "amp6", True),
        (_up_to("main"), "power-run-astray", "main", False),
    ],
)
def test_a_row_is_missed_once_the_work_has_passed_it(
    plan: Plan, rule: str, where: str, told: bool
) -> None:
    def hits(of: Plan) -> list[str]:
        return [f.title for f in check(of) if f.rule == rule and where in f.where]

    assert hits(plan), "the finished plan tells it in any case"
    assert bool(hits(replace(plan, unfinished=True))) == told


def test_a_run_left_hanging_is_told_once_another_was_entered() -> None:
    plan = _up_to("main")
    other = next(run for run in good_plan().runs if run.kind == "return")
    both = replace(plan, runs=(*plan.runs, other), unfinished=True)
    assert [f.where for f in check(both) if f.rule == "power-run-astray"] == [("main",)]
