"""Where the parts of a job are, and which jobs wait for parts."""

from datetime import date
from typing import Any

from django.db import models, transaction

from jobs.lifecycle import BEFORE_REVIEW
from jobs.models import Job, JobPart, PartSupply, SupplyState
from jobs.models.supply import TO_COME
from jobs.services.saving import Saved, locked_job, save_only_row
from shop import branches
from shop.models import StaffMember


@transaction.atomic
def save_supply(
    number: int,
    pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> Saved:
    """Say where a part is; in every stage. `version` is 0 where nobody has said anything yet."""
    job = locked_job(number)
    part = job.parts.get(pk=pk)
    return save_only_row(
        PartSupply,
        {"part": part},
        changes,
        job=job,
        actor=actor,
        version=version,
        key=key,
        code="supply_of.changed",
        job_path="part__job",
    )


_BEFORE: dict[str, tuple[str, ...]] = {
    SupplyState.ORDERED: (SupplyState.UNSAID, SupplyState.WANTED),
    SupplyState.ARRIVED: (SupplyState.UNSAID, SupplyState.WANTED, SupplyState.ORDERED),
    SupplyState.FITTED: (SupplyState.UNSAID, *TO_COME, SupplyState.ARRIVED),
}
"""What "all" takes along: a part further on, or gone back, stays where it is."""


@transaction.atomic
def all_now(number: int, state: str, *, actor: StaffMember) -> int:
    """Say of every part that is not that far yet that it is; gives how many. A repeat changes
    nothing."""
    job = locked_job(number)
    changed = 0
    for part in job.parts.select_related("supply"):
        supply = getattr(part, "supply", None)
        stands = supply.state if supply else ""
        if stands in _BEFORE.get(state, ()):
            version = supply.version if supply else 0
            saved = save_supply(number, part.pk, {"state": state}, actor=actor, version=version)
            changed += saved.changed
    return changed


def to_come(job_keys: list[int]) -> dict[int, int]:
    """How many lines of parts each of some jobs still waits for, those that wait alone."""
    counted = (
        PartSupply.objects.filter(part__job_id__in=job_keys, state__in=TO_COME)
        .values("part__job_id")
        .annotate(count=models.Count("pk"))
    )
    return {row["part__job_id"]: row["count"] for row in counted}


def jobs_waiting(last: date | None = None) -> list[tuple[Job, list[JobPart]]]:
    """Jobs that wait for parts, by when they start, each with the parts to come."""
    rows = (
        JobPart.objects.filter(
            branches.shown("job__bay__branch"),
            supply__state__in=TO_COME,
            job__stage__in=BEFORE_REVIEW,
        )
        .select_related("product", "supply")
        .order_by("job__starts_at", "job_id", "pk")
    )
    if last is not None:
        rows = rows.filter(job__starts_at__date__lte=last)
    parts: dict[int, list[JobPart]] = {}
    for part in rows:
        parts.setdefault(part.job_id, []).append(part)
    jobs = Job.objects.with_names().in_bulk(parts)
    return [(jobs[key], listed) for key, listed in parts.items()]
