"""How long a kind of work usually takes here, from the shop's own clocks."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import quantiles
from typing import Final

from django.db import models

from jobs import wording
from jobs.lifecycle import SIGNED
from jobs.models import Job, TimeEntry, WorkKind
from shop.models import VehicleModel

NEWEST: Final = 40
"""Jobs looked back at: a shop gets quicker."""

FEWEST: Final = 3
"""With fewer jobs than this nothing is suggested."""

FEW: Final = 8
"""With fewer jobs than this the words say that they are few."""


@dataclass(frozen=True)
class Usual:
    """The middle of the lengths, and between which two half of them lie."""

    middle: timedelta
    low: timedelta
    high: timedelta
    count: int
    of: str

    @property
    def minutes(self) -> int:
        """The middle, up to the next quarter of an hour: what a slot takes."""
        quarters = -(-int(self.middle.total_seconds()) // 900)
        return 15 * max(quarters, 1)

    @property
    def words(self) -> str:
        few = ", few yet" if self.count < FEW else ""
        return (
            f"{self.of}: usually {wording.duration(self.middle)}, half of them "
            f"{wording.duration(self.low)} to {wording.duration(self.high)} "
            f"({wording.plural(self.count, 'job')}{few})"
        )


def worked(stretches: Iterable[tuple[datetime, datetime]]) -> timedelta:
    """The time during which somebody worked: two people at once count once."""
    total, reached = timedelta(), None
    for begins, ends in sorted(stretches):
        start = begins if reached is None else max(begins, reached)
        total += max(ends - start, timedelta())
        reached = ends if reached is None else max(reached, ends)
    return total


def usual_of(lengths: list[timedelta], of: str) -> Usual | None:
    """The quartiles of some lengths, None for too few. The quartiles are those of Hyndman and
    Fan, Sample Quantiles in Statistical Packages, 1996, definition 7."""
    if len(lengths) < FEWEST:
        return None
    seconds = [length.total_seconds() for length in lengths]
    low, middle, high = (
        timedelta(seconds=one) for one in quantiles(seconds, n=4, method="inclusive")
    )
    return Usual(middle, low, high, len(lengths), of)


def usual_length(kind: WorkKind | None, model: VehicleModel | None = None) -> Usual | None:
    """How long this kind of work takes on this model, or, where too few were done, on any."""
    if kind is None:
        return None
    jobs = Job.objects.filter(stage__in=SIGNED, work_kind=kind, time_entries__isnull=False)
    if model is not None:
        on_model = _lengths(jobs.filter(vehicle__vehicle_model=model))
        if found := usual_of(on_model, f"{kind} on {model}"):
            return found
    return usual_of(_lengths(jobs), str(kind))


def _lengths(jobs: "models.QuerySet[Job]") -> list[timedelta]:
    newest = jobs.order_by("-number").values_list("pk", flat=True).distinct()[:NEWEST]
    stretches: dict[int, list[tuple[datetime, datetime]]] = {}
    entries = TimeEntry.objects.filter(job_id__in=list(newest), ended_at__isnull=False)
    for job_id, begins, ends in entries.values_list("job_id", "started_at", "ended_at"):
        if ends is not None:
            stretches.setdefault(job_id, []).append((begins, ends))
    return [length for one in stretches.values() if (length := worked(one))]
