"""The reads: the board, finding a job, the review queue, a bay's day."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from functools import reduce
from heapq import nlargest
from operator import or_
from typing import Any, Final

from django.db.models import Case, Q, When
from django.utils import timezone

from jobs import wording
from jobs.lifecycle import HOLDS_A_BAY, LIVE, PATH, SHEET_OPEN, Stage
from jobs.models import Job, JobPart
from jobs.models.job import JobQuerySet, Promised
from shop import branches
from shop.hours import Calendar, DayHours
from shop.likeness import customers_near, nearest, words_of
from shop.models import Bay, Customer, Vehicle, VehicleModel
from shop.series import numbers_meant
from shop.typed import whole

MOST_FOUND: Final = 30
MOST_MATCHES: Final = 60
STILL_TO_COME: Final = Q(stage=Stage.BOOKED) | Q(stage=Stage.ON_HOLD, held_from=Stage.BOOKED)
"""Live jobs whose car is not here yet."""

BOARD_LANES: Final = (*PATH[:-1], Stage.ON_HOLD)
"""Lanes of the board, in the order of a job's life; what is on hold stands last."""


@dataclass
class Lane:
    """A column of the board."""

    id: str
    title: str
    jobs: list[Job] = field(default_factory=list)

    @property
    def late(self) -> int:
        return sum(job.is_late for job in self.jobs)


def _of_today() -> Q:
    """Jobs with work on the shop's day: their slot touches it, or the car is at the bench."""
    begins = timezone.make_aware(datetime.combine(timezone.localdate(), time.min))
    ends = timezone.make_aware(datetime.combine(timezone.localdate() + timedelta(days=1), time.min))
    slot = Q(stage__in=HOLDS_A_BAY, starts_at__lt=ends, ends_at__gt=begins)
    return slot | Q(stage__in=SHEET_OPEN, starts_at__lt=ends)


@dataclass(frozen=True, slots=True)
class LiveRow(Promised):
    """What a card shows of a live job, as one row; `version` stands for the job's own words."""

    pk: int
    version: int
    stage: str
    held_from: str
    starts_at: datetime
    promised_at: datetime
    shown: tuple[Any, ...]
    """The names on the card: customer's, vehicle's, bay's, technician's, and how they wait."""


_OF_THE_JOB: Final = ("pk", "version", "stage", "held_from", "starts_at", "promised_at")
_NAMES: Final = (
    "customer__name",
    "vehicle__year",
    "vehicle__vehicle_model__make",
    "vehicle__vehicle_model__model",
    "vehicle__plate",
    "bay__name",
    "technician__name",
    "technician__username",
    "desk__stay",
    "desk__loaner",
)


def live_rows(**wanted: Any) -> list[LiveRow]:
    """The rows of `live_jobs`, a tenth of the work: what is asked every few seconds mostly stands
    drawn already."""
    rows: Iterable[Any] = _live(**wanted).values_list(*_OF_THE_JOB, *_NAMES)
    own = len(_OF_THE_JOB)
    live: Iterable[Any] = ((*row[:own], row[own:]) for row in rows)
    return sorted((LiveRow(*row) for row in live), key=_first_the_late)


def live_jobs(**wanted: Any) -> list[Job]:
    """Live jobs, late ones first, then cars that have not come; filters as `_live` takes them."""
    return sorted(_live(**wanted), key=_first_the_late)


def _first_the_late(job: Promised) -> tuple[bool, bool]:
    return not job.is_late, not job.not_arrived


def _live(
    *, bay: str = "", technician: str = "", person: Any = None, when: str = ""
) -> JobQuerySet:
    """Live jobs; filters by key as typed, by "mine", "open" (mine or nobody's) and "none", and by
    "today"."""
    jobs = Job.objects.on_the_board()
    if (bay_key := whole(bay)) is not None:
        jobs = jobs.filter(bay_id=bay_key)
    if technician == "none":
        jobs = jobs.filter(technician=None)
    elif technician == "mine" and person is not None:
        jobs = jobs.filter(technician_id=person.pk)
    elif technician == "open" and person is not None:
        jobs = jobs.filter(Q(technician_id=person.pk) | Q(technician=None))
    elif (technician_key := whole(technician)) is not None:
        jobs = jobs.filter(technician_id=technician_key)
    if when == "today":
        jobs = jobs.filter(_of_today())
    return jobs


def lanes_by_stage(jobs: Iterable[Job]) -> list[Lane]:
    """The board's columns by stage, empty ones too."""
    lanes = {stage: Lane(stage.value, str(stage.label)) for stage in BOARD_LANES}
    for job in jobs:
        lanes[Stage(job.stage)].jobs.append(job)
    return list(lanes.values())


def lanes_by_bay(jobs: Iterable[Job], bays: Iterable[Bay]) -> list[Lane]:
    """The board's columns by bay: those in use, and any other that still holds a job."""
    lanes = {bay.pk: Lane(f"bay-{bay.pk}", bay.name) for bay in bays}
    for job in jobs:
        lane = lanes.setdefault(job.bay_id, Lane(f"bay-{job.bay_id}", job.bay.name))
        lane.jobs.append(job)
    return list(lanes.values())


@dataclass
class Found:
    """What a search found, whether there was more than is shown, and whether nothing was written
    so and what stands here is only near."""

    jobs: list[Job]
    more: bool = False
    near: bool = False


@dataclass(frozen=True)
class Wanted:
    """Rows that a search is about, by key; each list at most MOST_MATCHES long."""

    vehicles: list[int]
    customers: list[int]
    with_serial: list[int]
    numbers: tuple[int, ...] = ()

    @property
    def jobs(self) -> Q:
        wanted = Q(vehicle_id__in=self.vehicles) | Q(customer_id__in=self.customers)
        if self.with_serial:
            wanted |= Q(pk__in=self.with_serial)
        return wanted | Q(number__in=self.numbers) if self.numbers else wanted

    @property
    def cut(self) -> bool:
        return MOST_MATCHES in map(len, (self.vehicles, self.customers, self.with_serial))


def find_jobs(text: str) -> Found:
    """Jobs by number, plate, VIN start or tail, phone, customer's name, model or serial number:
    the number first, then the cars that stand here, then bookings, the nearest first, then the
    newest of the past. Where nothing is written so, the jobs whose names are near.

    Live jobs are few and are searched through their rows. The past is searched through the
    people, vehicles and parts that match, so that a million jobs are never read.
    """
    text = text.strip()
    if not any(map(str.isalnum, text)):
        return Found([])
    wanted = _written(text)
    live = Job.objects.filter(stage__in=LIVE).matching(text, wanted.jobs)
    found = _found(wanted, live)
    return found if found.jobs or not words_of(text) else _near(text)


def _keys(rows: Any) -> list[int]:
    return list(rows.order_by("-pk").values_list("pk", flat=True)[:MOST_MATCHES])


def _written(text: str) -> Wanted:
    """The rows in which the text is written."""
    models = list(VehicleModel.objects.called(text).values_list("pk", flat=True)[:MOST_MATCHES])
    of_model = _keys(Vehicle.objects.filter(vehicle_model_id__in=models)) if models else []
    parts = JobPart.objects.with_serial(text).order_by("-pk")[:MOST_MATCHES]
    return Wanted(
        [*_keys(Vehicle.objects.matching(text)), *of_model],
        _keys(Customer.objects.matching(text)),
        list(parts.values_list("job_id", flat=True)),
        tuple(numbers_meant(text, branches.letters())),
    )


def _found(wanted: Wanted, live: JobQuerySet) -> Found:
    live = live.with_names().order_by(
        Case(When(STILL_TO_COME, then=1), default=0), "starts_at", "number"
    )
    # Sorted here: asked to sort with a limit, the database may walk a million numbers backwards.
    # Without the live: asked for past stages, SQLite may read all that are past.
    past_ones = Job.objects.filter(wanted.jobs).exclude(stage__in=LIVE).order_by()
    # By key: it rises from booking to booking, a number only within its series.
    newest = nlargest(MOST_FOUND, past_ones.values_list("pk", flat=True))
    past = Job.objects.filter(pk__in=newest).with_names().order_by("-pk")
    jobs = sorted([*live[:MOST_FOUND], *past], key=lambda job: _place(job, wanted))
    return Found(jobs[:MOST_FOUND], len(jobs) > MOST_FOUND or wanted.cut)


def _place(job: Job, wanted: Wanted) -> int:
    """The very number first, that of the branch looked at before the others."""
    numbers = wanted.numbers
    return numbers.index(job.number) if job.number in numbers else len(numbers)


def _near(text: str) -> Found:
    """Jobs of customers and models whose names are near the text."""
    names = VehicleModel.objects.order_by().values_list("make", "model").distinct()
    called = nearest(text, (((make, model), f"{make} {model}") for make, model in names))
    of_names = [Q(make=make, model=model) for make, model in called[:MOST_MATCHES]]
    models = VehicleModel.objects.filter(reduce(or_, of_names)) if of_names else None
    vehicles = Vehicle.objects.filter(vehicle_model__in=models) if models is not None else None
    wanted = Wanted(_keys(vehicles) if vehicles is not None else [], customers_near(text), [])
    found = _found(wanted, Job.objects.filter(wanted.jobs, stage__in=LIVE))
    return replace(found, near=True)


@dataclass(frozen=True)
class Stretch:
    """A stretch of a bay's day: busy with a job, or free where `job` is None."""

    starts_at: datetime
    ends_at: datetime
    job: Job | None = None

    @property
    def starts(self) -> str:
        return wording.hour(self.starts_at)

    @property
    def ends(self) -> str:
        return wording.hour(self.ends_at)


@dataclass(frozen=True)
class BayDay:
    """One bay on one day of the shop's calendar, in order, without gaps."""

    bay: Bay
    opens_at: datetime
    closes_at: datetime
    stretches: tuple[Stretch, ...]
    hours: DayHours

    @property
    def free(self) -> list[Stretch]:
        """The free stretches while the shop is open; none on a day closed."""
        if self.hours.closed:
            return []
        within = [
            Stretch(
                max(stretch.starts_at, self.hours.opens_at),
                min(stretch.ends_at, self.hours.closes_at),
            )
            for stretch in self.stretches
            if stretch.job is None
        ]
        return [stretch for stretch in within if stretch.ends_at > stretch.starts_at]

    @property
    def busy(self) -> list[Stretch]:
        return [stretch for stretch in self.stretches if stretch.job is not None]


def bay_days(day: date, but: int | None = None) -> list[BayDay]:
    """Each bay in use on a day of the shop's calendar; `but` is the job being moved."""
    return days_of_bays(day, 1, but)[0]


def days_of_bays(first: date, count: int, but: int | None = None) -> list[list[BayDay]]:
    """Each bay in use on each of some days, in as many queries for a week as for a day."""
    zone = timezone.get_current_timezone()
    days = [first + timedelta(days=ahead) for ahead in range(count)]
    midnights = [
        datetime.combine(day, time(0), zone) for day in (*days, days[-1] + timedelta(days=1))
    ]
    jobs = list(
        Job.objects.filter(
            stage__in=HOLDS_A_BAY,
            starts_at__lt=midnights[-1],
            ends_at__gt=midnights[0],
            bay__active=True,
        )
        .looked_at()
        .exclude(pk=but or 0)
        .with_names()
        .order_by("starts_at")
    )
    bays = list(Bay.objects.in_use())
    calendar = Calendar(days[0], days[-1])
    return [
        _bays_on(calendar.on(day), begins, ends, jobs, bays)
        for day, begins, ends in zip(days, midnights, midnights[1:], strict=False)
    ]


def _bays_on(
    hours: DayHours, begins: datetime, ends: datetime, jobs: list[Job], bays: list[Bay]
) -> list[BayDay]:
    """A day as long as the shop is open, or as a job begins or ends outside; one that stands
    over night does not make it longer."""
    today = [job for job in jobs if job.starts_at < ends and job.ends_at > begins]
    first = [job.starts_at if job.starts_at >= begins else job.ends_at - AN_HOUR for job in today]
    last = [job.ends_at if job.ends_at <= ends else job.starts_at + AN_HOUR for job in today]
    opens = max(min([hours.opens_at, *first]), begins)
    closes = min(max([hours.closes_at, *last]), ends)
    return [
        BayDay(
            bay,
            opens,
            closes,
            _stretches([job for job in today if job.bay_id == bay.pk], opens, closes),
            hours,
        )
        for bay in bays
    ]


AN_HOUR: Final = timedelta(hours=1)
"""How much of a job is at least shown on the day it comes from or goes on from."""

MOST_AHEAD: Final = 14
"""Days looked through for the first room."""


def first_free(length: timedelta, day: date) -> tuple[Bay, datetime] | None:
    """The bay and time of the first room for a slot of this length, from `day` on, while the shop
    is open and not in the past; None when the next two weeks are full."""
    now = timezone.now().replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    for bays in days_of_bays(day, MOST_AHEAD):
        rooms = [
            (max(stretch.starts_at, now), bay_day.bay)
            for bay_day in bays
            for stretch in bay_day.free
            if stretch.ends_at - max(stretch.starts_at, now) >= length
        ]
        if rooms:
            starts_at, bay = min(rooms, key=lambda room: room[0])
            return bay, starts_at
    return None


def _stretches(jobs: list[Job], opens: datetime, closes: datetime) -> tuple[Stretch, ...]:
    stretches, at = [], opens
    for job in jobs:
        starts, ends = max(job.starts_at, opens), min(job.ends_at, closes)
        if starts > at:
            stretches.append(Stretch(at, starts))
        if ends > at:
            stretches.append(Stretch(max(starts, at), ends, job))
        at = max(at, ends)
    if at < closes:
        stretches.append(Stretch(at, closes))
    return tuple(stretches)
