"""What must be true of a job before a move is made or a step ticked, each said in one place.

`jobs.lifecycle` names what each move needs, a step names its gate; both are looked up here.
"""

from collections.abc import Callable
from functools import cached_property
from typing import Any, Final

from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.models import FunctionResult, Gate, Job
from jobs.plan import rows as plan_rows
from jobs.plan.document import findings_of, plan_of
from jobs.plan.entered import lists_of, rows_by_line
from jobs.plan.power import section_of
from shop.kept_words import told
from wiring.plan import Plan

MOST_NAMED: Final = 3


class GateFacts:
    """What is looked at in one job, read once. `findings` spares working them out again, and
    `plan` reading it."""

    def __init__(
        self,
        job: Job,
        findings: Callable[[], list[Any]] | None = None,
        plan: Plan | None = None,
    ) -> None:
        self.job = job
        self._findings = findings or (lambda: findings_of(job, self.plan))
        self._plan = plan

    @cached_property
    def plan(self) -> Plan:
        return self._plan or plan_of(self.job)

    @cached_property
    def findings(self) -> list[Any]:
        return self._findings()

    def of(self, severity: str) -> list[Any]:
        return [finding for finding in self.findings if finding.severity == severity]

    def against(self, gate: str) -> list[str]:
        """What stands against a gate, one sentence each; an empty list when it is open."""
        return _GATES[Gate(gate)](self) if gate else []


Need = Callable[[GateFacts], list[str]]
"""Says what is missing, one sentence each; an empty list when nothing is."""


def fit_proved(facts: GateFacts) -> list[str]:
    last = facts.job.fit_proofs.last()
    if last is None:
        return [
            gettext("No fit proof yet: enter the source that says this vehicle takes these parts.")
        ]
    if last.outcome == "does_not_fit":
        return [gettext("The last fit proof says the parts do not fit.")]
    return []


_UNTRIED: Final = {
    "before": kept("Not tried before the work: %(names)s."),
    "after": kept("Not tried after the work: %(names)s."),
}
_UNREAD: Final = {
    "before": kept("No reading before the work: %(names)s."),
    "after": kept("No reading after the work: %(names)s."),
}


def _asked(what: str, names: list[str]) -> list[str]:
    said = wording.listed(map(told, names), MOST_NAMED)
    return [gettext(what) % {"names": said}] if names else []


def functions_tried(*phases: str) -> Need:
    """Every function of the car is tried, before the work, after it, or both."""

    def look(facts: GateFacts) -> list[str]:
        missing = []
        for phase in phases:
            untried = facts.job.function_checks.filter(**{phase: FunctionResult.UNTRIED})
            missing += _asked(_UNTRIED[phase], [check.name for check in untried])
        return missing

    return look


def readings_taken(*phases: str) -> Need:
    """Every reading is taken, before the work where it is wanted then, after it, or both."""

    def look(facts: GateFacts) -> list[str]:
        missing = []
        for phase in phases:
            rows = facts.job.readings.filter(**{f"{phase}_value": None})
            if phase == "before":
                rows = rows.filter(wanted_before=True)
            missing += _asked(_UNREAD[phase], [reading.label for reading in rows])
        return missing

    return look


def checks_after(facts: GateFacts) -> list[str]:
    """Functions tried and readings taken, all of them after the work."""
    return [*functions_tried("after")(facts), *readings_taken("after")(facts)]


def loads_measured(facts: GateFacts) -> list[str]:
    """Each amplifier channel that feeds a speaker has its load measured; there is at least one."""
    in_use = plan_rows.loads(facts.job.pk)
    if not in_use:
        return [gettext("No amplifier channel feeds a speaker yet.")]
    open_ones = [
        wording.mark(row.part_label, row.kind, row.number)
        for row in in_use
        if row.measured_load_ohm is None
    ]
    if not open_ones:
        return []
    said = {"channels": wording.listed(open_ones, MOST_NAMED)}
    return [gettext("Load not measured: %(channels)s.") % said]


def settings_entered(facts: GateFacts) -> list[str]:
    """Every setting is ticked as entered in its processor, and the program shows it; nothing is
    asked where no processor's limits are on record."""
    missing = []
    unasked = set(facts.job.parts.filter(beyond_by=None).values_list("label", flat=True))
    lists = lists_of(facts.plan, rows_by_line(facts.job))
    if lists and not any(one.total for one in lists):
        return [gettext("No channel of a processor is set yet.")]
    for one in lists:
        which = {"device": one.device.id, "total": one.total}
        if one.ticked < one.total:
            missing.append(
                gettext("%(device)s: %(done)s of %(total)s settings entered.")
                % {**which, "done": one.ticked}
            )
        if one.proved < one.total:
            missing.append(
                gettext("%(device)s: %(done)s of %(total)s settings read back.")
                % {**which, "done": one.proved}
            )
        elif one.total and one.device.id in unasked:
            missing.append(gettext("%(device)s: say whether anything else is set in it.") % which)
    return missing


def no_stop(*sections: str) -> Need:
    """No finding is a stop, in these sections of the bay sheet or, where none is named, in any."""

    def look(facts: GateFacts) -> list[str]:
        return [
            gettext("Stop: %(finding)s") % {"finding": told(finding.title)}
            for finding in facts.of("stop")
            if not sections or section_of(finding) in sections
        ]

    return look


def cautions_reasoned(facts: GateFacts) -> list[str]:
    reasoned = set(facts.job.finding_reasons.values_list("fingerprint", flat=True))
    return [
        gettext("Give a reason for the caution: %(finding)s") % {"finding": told(finding.title)}
        for finding in facts.of("caution")
        if finding.fingerprint not in reasoned
    ]


_GATES: Final[dict[Gate, Need]] = {
    Gate.FIT_PROVED: fit_proved,
    Gate.FUNCTIONS_BEFORE: functions_tried("before"),
    Gate.READINGS_BEFORE: readings_taken("before"),
    Gate.POWER_PLAN: no_stop("power"),
    Gate.CHANNEL_PLAN: no_stop("channels", "tuning"),
    Gate.FUNCTIONS_AFTER: functions_tried("after"),
    Gate.CHECKS_AFTER: checks_after,
    Gate.ENTERED: settings_entered,
    Gate.LOADS: loads_measured,
}

SECTION_OF_GATE: Final = {
    Gate.FIT_PROVED: "fit",
    Gate.FUNCTIONS_BEFORE: "before",
    Gate.READINGS_BEFORE: "before",
    Gate.POWER_PLAN: "power",
    Gate.CHANNEL_PLAN: "channels",
    Gate.FUNCTIONS_AFTER: "after",
    Gate.CHECKS_AFTER: "after",
    Gate.ENTERED: "tuning",
    Gate.LOADS: "channels",
}
"""The section of the bay sheet where what stands against a gate is put right."""

PLAN_GATES: Final = frozenset({Gate.POWER_PLAN, Gate.CHANNEL_PLAN})
"""Gates that a plan passes before anything is done: they let a step be ticked, by hand."""
