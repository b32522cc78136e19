"""Checking a plan: every registered rule, the worst finding first."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Final

import msgspec

from wiring.context import AIR_C, RULES, Context, Rule
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Channel, Plan, Setting
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
    of_power = _of_power(msgspec.structs.replace(plan, channels=tuple(map(_fed, plan.channels))))
    findings: list[Finding] = []
    for each in RULES.values():
        findings.extend(of_power[each.name] if each.name in of_power else each.examine(context))
    findings.sort(key=_gravity)
    return tuple(findings)


ABOUT_POWER: Final = (fuses, power, supply)
"""Rules about the supply of a plan, which look at no setting and at no wire of a channel."""


def _fed(channel: Channel) -> Channel:
    """A channel as far as the supply feels it: what it plays and how that is joined."""
    return msgspec.structs.replace(
        channel,
        feeds_device=None,
        feeds_input=None,
        wire=None,
        cable=None,
        measured_load_ohm=None,
        output_limit_v=None,
        polarity_heard="",
        heard_side="",
        heard_zone="",
        setting=Setting(),
        note="",
    )


@lru_cache(maxsize=64)
def _of_power(plan: Plan) -> dict[str, tuple[Finding, ...]]:
    """What the rules about the supply find, by rule: the same while channels are tuned, measured
    and wired. They are shown a plan without all that, so what is kept cannot rest on it."""
    context = Context(plan)
    modules = {module.__name__ for module in ABOUT_POWER}
    return {
        each.name: tuple(each.examine(context))
        for each in RULES.values()
        if each.examine.__module__ in modules
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
