"""The bay sheet of one job as its views see it: who may write, what is open, and where."""

from functools import cached_property
from typing import Final, NamedTuple

import msgspec
from django.db.models import OuterRef, Subquery
from django.http import Http404
from django.utils.translation import gettext, ngettext

from jobs.lifecycle import Stage, moves_from
from jobs.models import FindingReason, Job, JobEvent, TuningKind
from jobs.plan import rows as plan_rows
from jobs.plan.document import findings_of, plan_of
from jobs.plan.power import (
    SEVERITY_ORDER,
    CableFacts,
    DeviceDraw,
    Figure,
    Finding,
    PowerSolution,
    cables_of,
    device_draws,
    doc,
    loads_of,
    power_at,
    runs_between_sources,
    section_of,
)
from jobs.views.bay import places
from shop.drawn import address
from shop.http import Request
from shop.kept_words import told
from shop.models import Shop, StaffMember
from shop.roles import BENCH, has_role


def actor(request: Request) -> StaffMember:
    """The signed-in staff member; views let nobody else in."""
    assert isinstance(request.user, StaffMember)
    return request.user


class Section(NamedTuple):
    """One tab of the bay sheet."""

    id: str
    label: str

    @property
    def url_name(self) -> str:
        return f"bay_{self.id}"


SECTIONS: Final = (
    Section("steps", "Steps"),
    Section("fit", "Fit"),
    Section("before", "Before"),
    Section("channels", "Channels"),
    Section("power", "Power"),
    Section("tuning", "Tuning"),
    Section("after", "After"),
    Section("findings", "Findings"),
    Section("notes", "Notes"),
)

WHOLE_SECTIONS: Final = frozenset({"findings", "steps", "notes"})
"""Sections that look at the sheet as it would be handed over."""

_CLOSED: Final = {
    Stage.BOOKED: "The car is not checked in yet. "
    "The front desk checks it in; then the sheet opens.",
    Stage.READY_FOR_REVIEW: "The sheet is with the manager for review. "
    "Take it back to change something.",
    Stage.SIGNED_OFF: "The sheet is signed, and signed is final. "
    "A manager can open a correction, which makes a new revision.",
    Stage.COLLECTED: "The car is collected and its sheet is final. "
    "A manager can open a correction, which makes a new revision.",
    Stage.ON_HOLD: "The job is on hold. Resume it to write on the sheet.",
    Stage.CANCELLED: "The job is cancelled. The sheet is kept as it was left.",
}


_CORRECTION_CLOSED: Final = (
    "The correction is with the manager for review. Take it back to change something."
)

OFFERED: Final = ("start_work", "finish", "recall", "hand_correction", "recall_correction")
"""Moves of the bench that a sheet offers."""


class TabCount(NamedTuple):
    """How much is open in a section, and how grave the worst of it is."""

    total: int
    severity: str

    @property
    def words(self) -> str:
        if not self.total:
            return ""
        said = ngettext(
            "%(count)s open finding, the worst: %(severity)s",
            "%(count)s open findings, the worst: %(severity)s",
            self.total,
        )
        return said % {"count": self.total, "severity": told(self.severity)}


class BaySheet:
    """A job's bay sheet. The plan and its findings are worked out once, when first asked for."""

    def __init__(self, job: Job, user: StaffMember, shop: Shop, section: str = "") -> None:
        self.job = job
        self.user = user
        self.shop = shop
        self.section = section

    @classmethod
    def of(cls, request: Request, number: int, section: str = "") -> "BaySheet":
        """The sheet of job `number` for this person; 404 when there is no such job."""
        newest = JobEvent.objects.filter(job=OuterRef("pk")).order_by("-pk").values("pk")[:1]
        jobs = Job.objects.select_related("supply", "vehicle__vehicle_model").annotate(
            newest_event=Subquery(newest)
        )
        try:
            job = jobs.get(number=number)
        except Job.DoesNotExist:
            raise Http404(gettext("There is no job %(number)s.") % {"number": number}) from None
        return cls.holding(request, job, section)

    @classmethod
    def holding(cls, request: Request, job: Job, section: str = "") -> "BaySheet":
        """The sheet of a job at hand."""
        return cls(job, actor(request), request.shop, section)

    @property
    def number(self) -> int:
        return self.job.number

    @cached_property
    def on_the_bench(self) -> bool:
        """The person may write on bay sheets."""
        return has_role(self.user, BENCH)

    @property
    def can_edit(self) -> bool:
        return self.on_the_bench and self.job.sheet_is_open

    @property
    def moves(self) -> dict[str, bool]:
        """Which moves of the bench can be tried from here."""
        job = self.job
        possible = moves_from(job.stage, job.correction, self.user.roles, job.held_from)
        offered = {move.name for move in possible}
        return {name: name in offered for name in OFFERED}

    @property
    def hand_over(self) -> str:
        """The move that hands the sheet, or its correction, to review."""
        return "hand_correction" if self.job.correction else "finish"

    @property
    def why_closed(self) -> str:
        """Why nothing can be written, and what to do about it; empty when it can."""
        if not self.job.sheet_is_open:
            if self.job.correction:
                return told(_CORRECTION_CLOSED)
            return told(_CLOSED[Stage(self.job.stage)])
        if not self.on_the_bench:
            return "You may read this sheet. A technician or a manager fills it in."
        return ""

    @cached_property
    def plan(self) -> doc.Plan:
        return plan_of(self.job, TuningKind.AFTER, self.shop)

    @cached_property
    def findings(self) -> list[Finding]:
        """Every finding, the worst first.

        Where rows are being entered, what compares a row with its other half waits for that half;
        the findings themselves, the steps and what is handed over have all of them.
        """
        entering = self.job.sheet_is_open and not self.job.correction
        if entering and self.section not in WHOLE_SECTIONS:
            return findings_of(self.job, msgspec.structs.replace(self.plan, unfinished=True))
        return findings_of(self.job, self.plan)

    @cached_property
    def loads(self) -> dict[str, Figure]:
        return loads_of(self.plan)

    @cached_property
    def solution(self) -> PowerSolution | None:
        """The power path at full output, engine running; None while the plan has no run."""
        return power_at(self.plan)

    @cached_property
    def between_sources(self) -> frozenset[str]:
        """The runs that need a fuse at each end."""
        return runs_between_sources(self.plan)

    @cached_property
    def cables(self) -> dict[str, CableFacts]:
        """What each channel's speaker cable takes and carries."""
        return cables_of(self.plan)

    @cached_property
    def draws(self) -> list[DeviceDraw]:
        """What each device draws, and what it gets at full output."""
        return device_draws(self.plan, self.solution)

    @cached_property
    def reasons(self) -> dict[str, FindingReason]:
        """Reasons given for cautions, by fingerprint."""
        rows = self.job.finding_reasons.select_related("by")
        return {row.fingerprint: row for row in rows}

    @cached_property
    def _reasoned(self) -> set[str]:
        return {row.fingerprint for row in plan_rows.reasoned(self.job.pk)}

    def is_open(self, finding: Finding) -> bool:
        """A stop, or a caution that nobody has given a reason for."""
        if finding.severity == "caution":
            return finding.fingerprint not in self._reasoned
        return finding.severity == "stop"

    @cached_property
    def open_findings(self) -> list[Finding]:
        return [finding for finding in self.findings if self.is_open(finding)]

    def findings_in(self, section: str) -> list[Finding]:
        """Open findings that are mended in a section, the worst first."""
        if section in {"findings", ""}:
            return self.open_findings
        return [finding for finding in self.open_findings if section_of(finding) == section]

    def tab_count(self, section: str) -> TabCount:
        if section in {"steps", "notes"}:
            return TabCount(0, "")
        return self._count(self.findings_in(section))

    @staticmethod
    def _count(findings: list[Finding]) -> TabCount:
        worst = min((f.severity for f in findings), key=SEVERITY_ORDER.__getitem__, default="")
        return TabCount(len(findings), worst)

    @cached_property
    def _open_at(self) -> dict[str, list[Finding]]:
        by_place: dict[str, list[Finding]] = {}
        for finding in self.open_findings:
            for place in dict.fromkeys(finding.where):
                by_place.setdefault(place, []).append(finding)
        return by_place

    def mark(self, place: str) -> TabCount:
        """What is open at one place of the plan: a channel, a speaker, a run, a device."""
        return self._count(self._open_at.get(place, []))

    def link_to(self, finding: Finding) -> str:
        """Address of the row a finding speaks of."""
        return places.address(self.plan, self.number, finding, section_of(finding))

    def url(self, name: str, *args: str | int) -> str:
        return address(name, self.number, *args)
