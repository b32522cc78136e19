"""Checking a plan: every registered rule, the worst finding first."""

from collections.abc import Iterable, Mapping
from typing import Final

from wiring.context import AIR_C, RULES, Context, Rule
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Plan
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
    return findings_of(Context(plan, distances_m, air_c), RULES.values())


def findings_of(context: Context, rules: Iterable[Rule]) -> tuple[Finding, ...]:
    """What the given rules find, the worst first."""
    findings: list[Finding] = []
    for each in rules:
        findings.extend(each.examine(context))
    findings.sort(key=_gravity)
    return tuple(findings)


def _gravity(finding: Finding) -> int:
    return SEVERITY_ORDER[finding.severity]
