"""The plan: the bays of a day or a week by time, who works on what, and where there is room."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final
from urllib.parse import urlencode

from django.utils import timezone
from django.utils.translation import gettext, ngettext

from jobs.models import Job
from jobs.reads.board import BayDay, Stretch, days_of_bays
from jobs.services.supply import to_come
from shop import branches, wording
from shop.models import Absence, Bay, StaffMember
from shop.typed import as_typed

QUARTER: Final = timedelta(minutes=15)
WEEK: Final = 7


@dataclass(frozen=True)
class Cell:
    """A stretch of a bay's row, `span` quarters of an hour wide; free where `job` is None."""

    span: int
    job: Job | None = None
    begun_before: bool = False
    goes_on: bool = False
    doubt: str = ""


@dataclass(frozen=True)
class Row:
    """A bay's day as cells without gaps."""

    bay: Bay
    cells: list[Cell]


@dataclass
class PersonDay:
    """A technician on a day: how long booked, or away."""

    person: StaffMember
    booked: timedelta = field(default_factory=timedelta)
    away: str | None = None


@dataclass(frozen=True)
class DayPlan:
    """One day: from which quarter the table begins, its hours, the bays' rows, the people."""

    day: date
    begins: datetime
    quarters: int
    hours: list[str]
    rows: list[Row]
    people: list[PersonDay]
    closed: str


def _down(at: datetime) -> datetime:
    return timezone.localtime(at).replace(minute=0, second=0, microsecond=0)


def _up(at: datetime) -> datetime:
    whole = _down(at)
    return whole if whole == at else whole + timedelta(hours=1)


def _quarters(length: timedelta) -> int:
    return round(length / QUARTER)


def _doubts(jobs: list[Job], away: set[int]) -> dict[int, str]:
    """What the card of each job says beside its facts: of its technician, of parts to come."""
    waits = to_come([job.pk for job in jobs if not job.is_late])
    return {job.pk: _doubt(job, jobs, away) or _waits(waits.get(job.pk, 0)) for job in jobs}


def _waits(count: int) -> str:
    if not count:
        return ""
    return ngettext("%(count)s part to come", "%(count)s parts to come", count) % {"count": count}


def _doubt(job: Job, others: Iterable[Job], away: set[int]) -> str:
    """What a card says of its technician: away, or on two cars at once."""
    if job.technician is None:
        return ""
    if job.technician_id in away:
        return gettext("%(person)s is away") % {"person": job.technician.get_short_name()}
    for other in others:
        at_once = other.starts_at < job.ends_at and other.ends_at > job.starts_at
        if at_once and other.pk != job.pk and other.technician_id == job.technician_id:
            return gettext("%(person)s is also on %(job)s") % {
                "person": job.technician.get_short_name(),
                "job": other,
            }
    return ""


def _row(bay_day: BayDay, begins: datetime, ends: datetime, doubts: dict[int, str]) -> Row:
    cells: list[Cell] = []
    at = 0
    for stretch in bay_day.busy:
        job = stretch.job
        assert job is not None
        start = max(_quarters(stretch.starts_at - begins), at)
        stop = max(_quarters(stretch.ends_at - begins), start + 1)
        if start > at:
            cells.append(Cell(start - at))
        before, after = job.starts_at < begins, job.ends_at > ends
        cells.append(Cell(stop - start, job, before, after, doubts.get(job.pk, "")))
        at = stop
    whole = _quarters(ends - begins)
    if at < whole:
        cells.append(Cell(whole - at))
    return Row(bay_day.bay, cells)


def _people(day: date, bay_days: list[BayDay], absences: list[Absence]) -> list[PersonDay]:
    technicians = StaffMember.objects.filter(branches.technicians())
    listed = {one.pk: PersonDay(one) for one in technicians}
    for bay_day in bay_days:
        for stretch in bay_day.busy:
            key = stretch.job.technician_id if stretch.job else None
            if key in listed:
                listed[key].booked += stretch.ends_at - stretch.starts_at
    for absence in absences:
        if absence.person_id in listed and absence.first_day <= day <= absence.last_day:
            listed[absence.person_id].away = absence.why
    return list(listed.values())


def _absences(first: date, last: date) -> list[Absence]:
    return list(Absence.objects.filter(first_day__lte=last, last_day__gte=first))


def _away(day: date, absences: list[Absence]) -> set[int]:
    return {one.person_id for one in absences if one.first_day <= day <= one.last_day}


def _jobs(bay_days: list[BayDay]) -> list[Job]:
    return [one.job for bay_day in bay_days for one in bay_day.busy if one.job is not None]


def day_plan(day: date) -> DayPlan:
    """The bays of one day, each row from the first full hour to the last."""
    bay_days = days_of_bays(day, 1)[0]
    absences = _absences(day, day)
    jobs = _jobs(bay_days)
    doubts = _doubts(jobs, _away(day, absences))
    hours = bay_days[0].hours if bay_days else None
    begins = _down(min((one.opens_at for one in bay_days), default=timezone.now()))
    ends = _up(max((one.closes_at for one in bay_days), default=timezone.now()))
    whole = max(_quarters(ends - begins) // 4, 1)
    return DayPlan(
        day,
        begins,
        4 * whole,
        [wording.hour(begins + timedelta(hours=ahead)) for ahead in range(whole)],
        [_row(one, begins, ends, doubts) for one in bay_days],
        _people(day, bay_days, absences),
        hours.closed if hours else "",
    )


@dataclass(frozen=True)
class Booked:
    """A job in a cell of the week, and what is wrong with its technician, if anything."""

    job: Job
    doubt: str
    goes_on: bool


@dataclass(frozen=True)
class WeekCell:
    """One bay on one day: its jobs in order, and how long it is free."""

    day: date
    jobs: list[Booked]
    free: timedelta
    closed: str


@dataclass(frozen=True)
class WeekRow:
    bay: Bay
    cells: list[WeekCell]


@dataclass(frozen=True)
class WeekPlan:
    """Seven days of the bays."""

    days: list[tuple[date, str]]
    rows: list[WeekRow]


def week_plan(first: date) -> WeekPlan:
    """The bays of seven days from `first` on."""
    days = days_of_bays(first, WEEK)
    absences = _absences(first, first + timedelta(days=WEEK - 1))
    rows: dict[int, WeekRow] = {}
    headings = []
    for ahead, bay_days in enumerate(days):
        day = first + timedelta(days=ahead)
        headings.append((day, bay_days[0].hours.closed if bay_days else ""))
        doubts = _doubts(_jobs(bay_days), _away(day, absences))
        for one in bay_days:
            row = rows.setdefault(one.bay.pk, WeekRow(one.bay, []))
            booked = [
                Booked(job, doubts[job.pk], timezone.localtime(job.starts_at).date() < day)
                for job in _jobs([one])
            ]
            free = sum((s.ends_at - s.starts_at for s in one.free), timedelta())
            row.cells.append(WeekCell(day, booked, free, one.hours.closed))
    return WeekPlan(headings, list(rows.values()))


@dataclass(frozen=True)
class Room:
    """A free stretch of a bay, long enough for the work."""

    bay: Bay
    starts_at: datetime
    ends_at: datetime

    @property
    def query(self) -> str:
        """This room as the booking page takes it from an address."""
        day, _, at = as_typed(self.starts_at).partition("T")
        return urlencode({"bay": self.bay.pk, "day": day, "at": at})


@dataclass(frozen=True)
class FreeDay:
    """A day and the room on it; `closed` says why nobody is there."""

    day: date
    rooms: list[Room]
    closed: str


def soonest() -> datetime:
    """The next quarter of an hour: nobody is booked for a time that is over."""
    now = timezone.now().replace(second=0, microsecond=0)
    return now + QUARTER - timedelta(minutes=now.minute % 15)


def free_days(length: timedelta, first: date, count: int) -> list[FreeDay]:
    """Where there is room for work of this length, on each of some days.

    Work longer than the shop is open goes on the next day: then the rest of a day counts as room
    when the bay is free to closing time.
    """
    now = soonest()
    days = []
    for ahead, bay_days in enumerate(days_of_bays(first, count)):
        rooms = [
            room for one in bay_days for free in one.free if (room := _room(one, free, now, length))
        ]
        rooms.sort(key=lambda room: (room.starts_at, room.bay.order, room.bay.pk))
        closed = bay_days[0].hours.closed if bay_days else ""
        days.append(FreeDay(first + timedelta(days=ahead), rooms, closed))
    return days


def _room(bay_day: BayDay, free: Stretch, now: datetime, length: timedelta) -> Room | None:
    hours = bay_day.hours
    starts_at = max(free.starts_at, now)
    wanted = min(length, hours.closes_at - hours.opens_at)
    if free.ends_at - starts_at < wanted:
        return None
    return Room(bay_day.bay, starts_at, free.ends_at)
