"""Checking a plan: every registered rule, the worst finding first."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from types import ModuleType
from typing import Any, Final

import msgspec

from wiring.context import AIR_C, RULES, Context, Rule
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Plan, Setting
from wiring.rules import (
    channels as channels,
    crossovers as crossovers,
    fuses as fuses,
    lines as lines,
    power as power,
    sides as sides,
    speaker_cables as speaker_cables,
    supply as supply,
    tuning as tuning,
    typed as typed,
    wires,
)

RULE_MODULES: Final = (
    channels,
    sides,
    crossovers,
    fuses,
    lines,
    wires,
    speaker_cables,
    power,
    supply,
    tuning,
    typed,
)


def check(
    plan: Plan, distances_m: Mapping[str, float] | None = None, air_c: float = AIR_C
) -> tuple[Finding, ...]:
    """All findings of a plan: stops, then cautions, then notes, each in order of rule.

    `distances_m`, by speaker id, are tape-measured to the seat; delays are judged with them where
    both drivers of a crossover have one.
    """
    context = Context(plan, distances_m, air_c)
    told: dict[str, tuple[Finding, ...]] = {}
    for about, seen in _ABOUT:
        told |= _found(about, seen(plan), tuple((distances_m or {}).items()), air_c)
    findings: list[Finding] = []
    for each in RULES.values():
        findings.extend(told[each.name] if each.name in told else each.examine(context))
    findings.sort(key=_gravity)
    return tuple(findings)


_NOT_MEASURED: Final = {"measured_load_ohm": None, "note": ""}
_NOT_HEARD: Final = {"polarity_heard": "", "heard_side": "", "heard_zone": ""}
_NOT_SET: Final = {"setting": Setting(), "output_limit_v": None}


def _without(plan: Plan, **facts: Any) -> Plan:
    """The plan with these facts of its channels left out."""
    channels = tuple([msgspec.structs.replace(one, **facts) for one in plan.channels])
    return msgspec.structs.replace(plan, channels=channels)


def _as_fed(plan: Plan) -> Plan:
    return _without(plan, wire=None, cable=None, **_NOT_MEASURED, **_NOT_HEARD, **_NOT_SET)


def _as_tuned(plan: Plan) -> Plan:
    tuned = _without(plan, cable=None, **_NOT_MEASURED, **_NOT_HEARD)
    return msgspec.structs.replace(tuned, runs=())


def _as_wired(plan: Plan) -> Plan:
    return msgspec.structs.replace(_without(plan, **_NOT_MEASURED, **_NOT_SET), runs=())


_ABOUT: Final = (
    ((fuses, power, supply), _as_fed),
    ((crossovers, lines, sides, tuning, typed), _as_tuned),
    ((speaker_cables, wires), _as_wired),
)
"""Rules that look at part of a plan alone, and that part. What they find is kept, and they are
shown nothing else, so that it can rest on nothing else. A save changes one thing of one row, and
most of these parts stay as they were; the rules about loads are few and look at all of it."""


@lru_cache(maxsize=128)
def _found(
    about: tuple[ModuleType, ...],
    plan: Plan,
    distances_m: tuple[tuple[str, float], ...],
    air_c: float,
) -> dict[str, tuple[Finding, ...]]:
    """What the rules of some modules find in a part of a plan, by rule; not to be changed."""
    context = Context(plan, dict(distances_m), air_c)
    names = {module.__name__ for module in about}
    return {
        each.name: tuple(each.examine(context))
        for each in RULES.values()
        if each.examine.__module__ in names
    }


def findings_of(context: Context, rules: Iterable[Rule]) -> tuple[Finding, ...]:
    """What the given rules find, the worst first."""
    findings: list[Finding] = []
    for each in rules:
        findings.extend(each.examine(context))
    findings.sort(key=_gravity)
    return tuple(findings)


def _gravity(finding: Finding) -> int:
    return SEVERITY_ORDER[finding.severity]
