"""Checking a plan: every registered rule, the worst finding first."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Final

from wiring.context import AIR_C, RULES, Context, Rule, require_figures
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
from wiring.views import View, shown

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


Distances = tuple[tuple[str, float], ...]
_VIEWS: Final = {
    view: tuple(each for each in RULES.values() if each.view == view)
    for view in sorted({each.view for each in RULES.values()})
}


def check(
    plan: Plan, distances_m: Mapping[str, float] | None = None, air_c: float = AIR_C
) -> tuple[Finding, ...]:
    """All findings of a plan: stops, then cautions, then notes, each in order of rule.

    `distances_m`, by speaker id, are tape-measured to the seat; delays are judged with them where
    both drivers of a crossover have one. Raises WiringError, naming where it stands, on a number
    that is none.
    """
    require_figures(plan, distances_m, air_c)
    distances = tuple((distances_m or {}).items())
    found: dict[str, tuple[Finding, ...]] = {}
    for view in _VIEWS:
        found |= _found(view, shown(plan, view), distances, air_c)
    return _worst_first(finding for name in RULES for finding in found[name])


@lru_cache(maxsize=256)
def _found(
    view: View, plan: Plan, distances: Distances, air_c: float
) -> dict[str, tuple[Finding, ...]]:
    """What each rule of a view finds in a plan that holds nothing else."""
    context = Context(plan, dict(distances), air_c)
    return {each.name: tuple(each.examine(context)) for each in _VIEWS[view]}


def findings_of(context: Context, rules: Iterable[Rule]) -> tuple[Finding, ...]:
    """What the given rules find where they are shown the whole plan, the worst first."""
    return _worst_first(finding for each in rules for finding in each.examine(context))


def _worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=_gravity))


def _gravity(finding: Finding) -> int:
    return SEVERITY_ORDER[finding.severity]
