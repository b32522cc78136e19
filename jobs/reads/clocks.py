"""The reads of the clocks: who is on what, how long a job took, what was forgotten."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

from django.db.models import Q
from django.utils import timezone

from jobs.models import ClockEnd, Job, TimeEntry
from jobs.services.clock import due_at, is_overdue
from shop import branches
from shop.models import Shop, StaffMember
from shop.prepared import PreparedObjects

LISTED: Final = timedelta(days=14)
"""How far back the list of times goes."""


@dataclass(frozen=True)
class RunningClock:
    """A clock that runs, and whether it seems forgotten; `elsewhere` on a job of a branch in which
    the person works no more, whose pages are closed to them."""

    entry: TimeEntry
    overdue: bool
    due_at: datetime
    mine: bool
    elsewhere: bool


@lru_cache(maxsize=64)
def _running(shown: Q) -> PreparedObjects[TimeEntry]:
    """The clocks that run in what is shown, and a person's own: every page of the bench asks."""
    return PreparedObjects(
        lambda person: TimeEntry.objects.running().with_names().filter(Q(technician=person) | shown)
    )


def running_clocks(shop: Shop, person: StaffMember) -> list[RunningClock]:
    """The person's own clock and those that run in the branch looked at; one query."""
    now = timezone.now()
    clocks = [
        RunningClock(
            entry,
            is_overdue(entry, shop, now),
            due_at(entry, shop),
            entry.technician_id == person.pk,
            branches.is_elsewhere(entry.job.bay.branch_id),
        )
        for entry in _running(branches.shown("job__bay__branch"))(person.pk)
    ]
    return sorted(clocks, key=lambda clock: not clock.mine)


@dataclass(frozen=True)
class JobClock:
    """The clock of one person on one job, as the bay sheet's head shows it."""

    job: Job
    running: TimeEntry | None
    paused: bool
    overdue: bool
    due_at: datetime | None
    elsewhere: TimeEntry | None
    others: list[TimeEntry]
    before: timedelta
    """Time of this person on this job before the clock that runs."""

    @property
    def so_far(self) -> timedelta:
        return self.before + (self.running.length() if self.running else timedelta())


def job_clock(job: Job, person: StaffMember, shop: Shop) -> JobClock:
    """What runs on a job and for a person, in two queries."""
    mine = list(job.time_entries.filter(technician=person))
    running = list(
        TimeEntry.objects.running().with_names().filter(Q(job=job) | Q(technician=person))
    )
    own = next((e for e in running if e.job_id == job.pk and e.technician_id == person.pk), None)
    return JobClock(
        job=job,
        running=own,
        paused=own is None and bool(mine) and mine[-1].ended_by == ClockEnd.PAUSED,
        overdue=own is not None and is_overdue(own, shop),
        due_at=due_at(own, shop) if own else None,
        elsewhere=next((e for e in running if e.job_id != job.pk), None),
        others=[e for e in running if e.technician_id != person.pk],
        before=sum((e.length() for e in mine if not e.is_running), timedelta()),
    )


@dataclass
class TimeOf:
    """One technician's time."""

    technician: StaffMember
    entries: list[TimeEntry] = field(default_factory=list)

    @property
    def total(self) -> timedelta:
        return sum((entry.length() for entry in self.entries), timedelta())

    @property
    def running(self) -> bool:
        return any(entry.is_running for entry in self.entries)


@dataclass(frozen=True)
class TimeTotal:
    """Time by technician, and all of it."""

    people: list[TimeOf]

    @property
    def total(self) -> timedelta:
        return sum((one.total for one in self.people), timedelta())

    @property
    def running(self) -> bool:
        return any(one.running for one in self.people)

    @property
    def entries(self) -> list[TimeEntry]:
        every = (entry for one in self.people for entry in one.entries)
        return sorted(every, key=lambda entry: entry.started_at)


def _by_person(entries: Iterable[TimeEntry]) -> list[TimeOf]:
    people: dict[int, TimeOf] = {}
    for entry in entries:
        people.setdefault(entry.technician_id, TimeOf(entry.technician)).entries.append(entry)
    return list(people.values())


def time_on(job: Job) -> TimeTotal:
    """The time kept on a job."""
    return TimeTotal(_by_person(job.time_entries.with_names()))


@dataclass(frozen=True)
class Day:
    """One day of the list of times."""

    date: datetime
    people: list[TimeOf]


def times_listed(person: StaffMember, *, everybody: bool) -> list[Day]:
    """The last two weeks by day, newest first: of everybody, or of one person."""
    entries = TimeEntry.objects.with_names().filter(
        branches.shown("job__bay__branch"), started_at__gt=timezone.now() - LISTED
    )
    if not everybody:
        entries = entries.filter(technician=person)
    days: dict[datetime, list[TimeEntry]] = {}
    for entry in entries.order_by("-started_at"):
        local = timezone.localtime(entry.started_at)
        midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
        days.setdefault(midnight, []).append(entry)
    return [Day(date, _by_person(listed)) for date, listed in days.items()]
