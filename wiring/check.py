"""Checking a plan: every registered rule, the gravest finding first."""

from collections.abc import Iterable, Mapping
from typing import Final

from wiring import (
    rules_channels,
    rules_crossovers,
    rules_fuses,
    rules_lines,
    rules_power,
    rules_sides,
    rules_supply,
    rules_tuning,
    rules_wires,
)
from wiring.context import AIR_C, RULES, Context, Rule
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Plan

RULE_MODULES: Final = (
    rules_channels,
    rules_sides,
    rules_crossovers,
    rules_fuses,
    rules_lines,
    rules_wires,
    rules_power,
    rules_supply,
    rules_tuning,
)


def check(
    plan: Plan, distances_m: Mapping[str, float] | None = None, air_c: float = AIR_C
) -> tuple[Finding, ...]:
    """All findings of a plan: stops, then cautions, then notes, each in order of rule.

    `distances_m`, by speaker id, are tape-measured to the seat; delays are judged with them where
    both drivers of a crossover have one.
    """
    return findings_of(Context(plan, distances_m, air_c), RULES.values())


def findings_of(context: Context, rules: Iterable[Rule]) -> tuple[Finding, ...]:
    """What the given rules find, the gravest first."""
    found: list[Finding] = []
    for each in rules:
        found.extend(each.examine(context))
    found.sort(key=_gravity)
    return tuple(found)


def _gravity(finding: Finding) -> int:
    return SEVERITY_ORDER[finding.severity]
