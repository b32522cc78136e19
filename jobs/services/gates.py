"""Gates: what must be true before a step of the step list may be ticked."""

from collections.abc import Callable
from functools import cached_property
from typing import Any, Final

from jobs import wording
from jobs.models import FunctionResult, Gate, Job
from jobs.plan.document import findings_of
from jobs.plan.power import section_of

MOST_NAMED: Final = 3


class GateFacts:
    """What the gates of one job look at, read once. `findings` spares working them out again."""

    def __init__(self, job: Job, findings: Callable[[], list[Any]] | None = None) -> None:
        self.job = job
        self._findings = findings or (lambda: findings_of(job))

    @cached_property
    def stops(self) -> list[Any]:
        return [finding for finding in self._findings() if finding.severity == "stop"]

    def against(self, gate: str) -> list[str]:
        """What stands against a gate, one sentence each; an empty list when it is open."""
        return _GATES[Gate(gate)](self) if gate else []


def _fit_proved(facts: GateFacts) -> list[str]:
    last = facts.job.fit_proofs.last()
    if last is None:
        return ["No fit proof yet: enter the source on the Fit page."]
    if last.outcome == "does_not_fit":
        return ["The last fit proof says the parts do not fit."]
    return []


def _functions(phase: str) -> Callable[[GateFacts], list[str]]:
    def look(facts: GateFacts) -> list[str]:
        untried = facts.job.function_checks.filter(**{phase: FunctionResult.UNTRIED})
        names = [check.name for check in untried]
        return (
            [f"Not tried {phase} the work: {wording.listed(names, MOST_NAMED)}."] if names else []
        )

    return look


def _readings_before(facts: GateFacts) -> list[str]:
    missing = facts.job.readings.filter(wanted_before=True, before_value=None)
    names = [reading.label for reading in missing]
    return [f"No reading before the work: {wording.listed(names, MOST_NAMED)}."] if names else []


def _no_stop(*sections: str) -> Callable[[GateFacts], list[str]]:
    def look(facts: GateFacts) -> list[str]:
        return [
            f"Stop: {finding.title}" for finding in facts.stops if section_of(finding) in sections
        ]

    return look


_GATES: Final[dict[Gate, Callable[[GateFacts], list[str]]]] = {
    Gate.FIT_PROVED: _fit_proved,
    Gate.FUNCTIONS_BEFORE: _functions("before"),
    Gate.READINGS_BEFORE: _readings_before,
    Gate.POWER_PLAN: _no_stop("power"),
    Gate.CHANNEL_PLAN: _no_stop("channels", "tuning"),
    Gate.FUNCTIONS_AFTER: _functions("after"),
}

SECTION_OF_GATE: Final = {
    Gate.FIT_PROVED: "fit",
    Gate.FUNCTIONS_BEFORE: "before",
    Gate.READINGS_BEFORE: "before",
    Gate.POWER_PLAN: "power",
    Gate.CHANNEL_PLAN: "channels",
    Gate.FUNCTIONS_AFTER: "after",
}
"""The section of the bay sheet where what stands against a gate is put right."""
