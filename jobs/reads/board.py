"""The reads: the board, finding a job, the review queue, a bay's day."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from heapq import nlargest
from typing import Any, Final

from django.db.models import Case, Q, When
from django.utils import timezone

from jobs import wording
from jobs.lifecycle import HOLDS_A_BAY, LIVE, PATH, Stage
from jobs.models import Job
from jobs.models.job import job_number
from shop.models import Bay, Customer, Vehicle
from shop.typed import whole

MOST_FOUND: Final = 30
MOST_MATCHES: Final = 60
PAST: Final = frozenset(Stage) - LIVE
STILL_TO_COME: Final = Q(stage=Stage.BOOKED) | Q(stage=Stage.ON_HOLD, held_from=Stage.BOOKED)
"""Live jobs whose car is not here yet."""

BOARD_LANES: Final = (*PATH[:-1], Stage.ON_HOLD)
"""Lanes of the board, in the order of a job's life; what is on hold stands last."""

OPENS: Final = time(7)
CLOSES: Final = time(19)
"""The hours a bay's day shows at least. Common practice, no source."""


@dataclass
class Lane:
    """A column of the board."""

    id: str
    title: str
    jobs: list[Job] = field(default_factory=list)

    @property
    def late(self) -> int:
        return sum(job.is_late for job in self.jobs)


def live_jobs(*, bay: str = "", technician: str = "", person: Any = None) -> list[Job]:
    """Live jobs, late ones first, in one query; filters by key as typed in an address."""
    jobs = Job.objects.on_the_board()
    if (bay_key := whole(bay)) is not None:
        jobs = jobs.filter(bay_id=bay_key)
    if technician == "none":
        jobs = jobs.filter(technician=None)
    elif technician == "mine" and person is not None:
        jobs = jobs.filter(technician_id=person.pk)
    elif (technician_key := whole(technician)) is not None:
        jobs = jobs.filter(technician_id=technician_key)
    return sorted(jobs, key=lambda job: not job.is_late)


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
    """What a search found, and whether there was more than is shown."""

    jobs: list[Job]
    more: bool = False


def find_jobs(text: str) -> Found:
    """Jobs by number, plate, VIN start or tail, phone or customer's name: the number first, then
    the cars that stand here, then bookings, the nearest first, then the newest of the past.

    Live jobs are few and are searched through their rows. The past is searched through the
    people and vehicles that match, so that a million jobs are never read.
    """
    text = text.strip()
    if not any(map(str.isalnum, text)):
        return Found([])
    live = Job.objects.filter(stage__in=LIVE).with_names().matching(text)
    live = live.order_by(Case(When(STILL_TO_COME, then=1), default=0), "starts_at", "number")
    vehicles = Vehicle.objects.matching(text).order_by("-pk")[:MOST_MATCHES]
    customers = Customer.objects.matching(text).order_by("-pk")[:MOST_MATCHES]
    vehicle_keys = list(vehicles.values_list("pk", flat=True))
    customer_keys = list(customers.values_list("pk", flat=True))
    number = job_number(text)
    wanted = Q(vehicle_id__in=vehicle_keys) | Q(customer_id__in=customer_keys)
    if number is not None:
        wanted |= Q(number=number)
    # Sorted here: asked to sort with a limit, the database may walk a million numbers backwards.
    numbers = Job.objects.filter(wanted, stage__in=PAST).values_list("number", flat=True)
    newest = nlargest(MOST_FOUND, numbers)
    past = Job.objects.filter(number__in=newest).with_names().order_by("-number")
    jobs = sorted([*live[:MOST_FOUND], *past], key=lambda job: job.number != number)
    more = len(jobs) > MOST_FOUND or MOST_MATCHES in {len(vehicle_keys), len(customer_keys)}
    return Found(jobs[:MOST_FOUND], more)


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

    @property
    def free(self) -> list[Stretch]:
        return [stretch for stretch in self.stretches if stretch.job is None]

    @property
    def busy(self) -> list[Stretch]:
        return [stretch for stretch in self.stretches if stretch.job is not None]


def bay_days(day: date, but: int | None = None) -> list[BayDay]:
    """Each bay in use on a day of the shop's calendar; `but` is the job being moved."""
    zone = timezone.get_current_timezone()
    opens = datetime.combine(day, OPENS, zone)
    closes = datetime.combine(day, CLOSES, zone)
    midnight = datetime.combine(day, time(0), zone)
    tomorrow = datetime.combine(day + timedelta(days=1), time(0), zone)
    jobs = list(
        Job.objects.filter(
            stage__in=HOLDS_A_BAY, starts_at__lt=tomorrow, ends_at__gt=midnight, bay__active=True
        )
        .exclude(pk=but or 0)
        .select_related("vehicle__vehicle_model")
        .order_by("starts_at")
    )
    for job in jobs:
        opens = min(opens, max(job.starts_at, midnight))
        closes = max(closes, min(job.ends_at, tomorrow))
    return [
        BayDay(
            bay, opens, closes, _stretches([j for j in jobs if j.bay_id == bay.pk], opens, closes)
        )
        for bay in Bay.objects.filter(active=True)
    ]


def first_free(length: timedelta, day: date) -> tuple[Bay, datetime] | None:
    """The bay and time of the first room for a slot of this length, from `day` on and not in the
    past; None when the next two weeks are full."""
    now = timezone.now().replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    for ahead in range(14):
        rooms = [
            (max(stretch.starts_at, now), bay_day.bay)
            for bay_day in bay_days(day + timedelta(days=ahead))
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
