"""Checking a plan: every registered rule, the gravest finding first."""

from wiring import (
    rules_channels,
    rules_crossovers,
    rules_fuses,
    rules_lines,
    rules_power,
    rules_sides,
    rules_supply,
    rules_wires,
)
from wiring.context import RULES, Context, rule
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Plan

__all__ = ["RULE_MODULES", "Context", "check", "rule"]

RULE_MODULES = (
    rules_channels,
    rules_sides,
    rules_crossovers,
    rules_fuses,
    rules_lines,
    rules_wires,
    rules_power,
    rules_fuses,
    rules_supply,
)


def check(plan: Plan) -> tuple[Finding, ...]:
    """All findings of a plan: stops, then cautions, then notes, each in order of rule."""
    context = Context(plan)
    found: list[Finding] = []
    for examine in RULES.values():
        found.extend(examine(context))
    found.sort(key=_gravity)
    return tuple(found)


def _gravity(finding: Finding) -> int:
    return SEVERITY_ORDER[finding.severity]
