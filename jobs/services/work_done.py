"""Who did the work of a job and when it started, as the record says.

Whoever hands a job to review need not have worked on it. The record knows who did: ticks, checks,
readings, clocks and entries. Where it does not say it plainly, handing over asks; the answer
stands in the event of the hand-over, and on the sheet.
"""

from datetime import datetime
from typing import Any, Final, NamedTuple

from django.db.models import Q

from jobs.models import Job, JobEvent
from jobs.services.saving import CLASH
from shop.models import StaffMember

HANDED_OVER: Final = "job.finish"
NOT_WORK: Final = (
    "job.",
    "check_in.",
    "part.added",
    "part.removed",
    "note.",
    "photo.",
    "finding.",
    "sheet.",
    "setup.",
    "clock.",
    "event.",
    CLASH,
)
"""Beginnings of the codes of events that are no work on the car: booking, words, review. A clock
says itself whose time it is."""


class WorkDone(NamedTuple):
    """Who did the work; `plain` where nobody need be asked."""

    people: list[StaffMember]
    plain: bool


def _work_events(job: Job) -> Any:
    left_out = Q()
    for beginning in NOT_WORK:
        left_out |= Q(code__startswith=beginning)
    return job.events.exclude(left_out)


def _in_rows(job: Job) -> set[int | None]:
    """Everybody whose name stands at a tick, check, reading or proof."""
    people: set[int | None] = set()
    for rows, names in (
        (job.function_checks, ("before_by", "after_by")),
        (job.readings, ("before_by", "after_by")),
        (job.fit_proofs, ("by",)),
        (job.steps, ("outcome_by",)),
        (job.send_backs, ("done_by",)),
    ):
        for row in rows.values_list(*names):
            people.update(row)
    return people


def people_in_record(
    job: Job, *, after: JobEvent | None = None, until: JobEvent | None = None
) -> list[StaffMember]:
    """Who worked on the job, by name; `after` and `until` bound the time by two events."""
    events, clocks = _work_events(job), job.time_entries.all()
    if after is not None:
        events = events.filter(pk__gt=after.pk)
        clocks = clocks.filter(Q(ended_at=None) | Q(ended_at__gt=after.at))
    if until is not None:
        events = events.filter(pk__lt=until.pk)
        clocks = clocks.filter(started_at__lt=until.at)
    people = {*events.values_list("actor", flat=True), *clocks.values_list("technician", flat=True)}
    if after is None and until is None:
        people |= _in_rows(job)
    return list(StaffMember.objects.filter(pk__in=people - {None}).order_by("name", "pk"))


def handed_over(job: Job) -> JobEvent | None:
    """The last time the job was handed to review."""
    return job.events.filter(code=HANDED_OVER).select_related("actor").first()


def _answer(event: JobEvent | None) -> list[StaffMember]:
    """Who was said to have done the work when the job was handed over."""
    ids = [one["id"] for one in event.after.get("worked", ())] if event else []
    return list(StaffMember.objects.filter(pk__in=ids).order_by("name", "pk"))


def work_done(job: Job, presser: StaffMember) -> WorkDone:
    """Who did the work, for the hand-over that `presser` is about to make.

    Plain is one person who also hands over, or an earlier answer that covers everybody since.
    A correction of a signed sheet is no new work: who did it stays who did it.
    """
    last = handed_over(job)
    stood = _answer(last)
    corrected = job.events.filter(code="job.correct").order_by("pk").first()
    if corrected is not None:
        people = stood or people_in_record(job, until=corrected)
        return WorkDone(people, bool(stood) or len(people) == 1)
    if not stood:
        people = people_in_record(job)
        return WorkDone(people, people == [presser])
    since = [one for one in people_in_record(job, after=last) if one not in stood]
    return WorkDone([*stood, *since], not since and presser in stood)


def who_may_have_worked(people: list[StaffMember]) -> list[StaffMember]:
    """Everybody to choose from: those of the record first, then technicians, then managers."""
    bench = StaffMember.objects.filter(is_active=True).filter(
        Q(is_technician=True) | Q(is_manager=True)
    )
    others = bench.exclude(pk__in=[one.pk for one in people]).order_by("-is_technician", "name")
    return [*people, *others]


def names_of_workers(job: Job, event: JobEvent) -> list[str]:
    """Who did the work, as said at a hand-over; from the record where nobody was asked yet."""
    if worked := event.after.get("worked"):
        return [one["name"] for one in worked]
    return [str(one) for one in people_in_record(job)] or [str(event.actor)]


OWN_WORK: Final = "work"
OWN_ENTRIES: Final = "entries"
_NO_ENTRY: Final = ("job.", "finding.", "sheet.", "sendback.", "clock.", "event.", CLASH)
"""Beginnings of the codes of events by which a correction is opened, judged and signed."""


def own_in_review(job: Job, reviewer: StaffMember) -> list[str]:
    """What somebody would review of their own: OWN_WORK on the car, and OWN_ENTRIES in a correction
    or its handing over. Told by who the people are, never by their names."""
    last = handed_over(job)
    workers = _answer(last) or people_in_record(job)
    own = [OWN_WORK] if reviewer in workers else []
    opened = job.events.filter(code="job.correct").first() if job.correction else None
    if opened is not None:
        made = job.events.filter(pk__gt=opened.pk, actor=reviewer)
        entries = made
        for beginning in _NO_ENTRY:
            entries = entries.exclude(code__startswith=beginning)
        if entries.exists() or made.filter(code="job.hand_correction").exists():
            own.append(OWN_ENTRIES)
    return own


def started_at(job: Job) -> datetime | None:
    """When the work started, whatever day was booked; None before it has."""
    event = job.events.filter(code="job.start_work").first()
    return event.at if event else None
