"""Taking a bay: one at a time, and in words when it is taken.

Everything that needs a free bay takes the book's lock first. What gets past a check all the same
is refused by the database (see `jobs.bay_guard`), and told in the same words.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import IntegrityError, transaction
from django.db.models import F

from jobs import wording
from jobs.bay_guard import IN_BAY, broken_rule
from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Job
from shop.models import Shop


def hold_the_book() -> None:
    """Let nobody else take a bay until this transaction ends; before any job's lock.

    An update that changes nothing takes the row's lock on PostgreSQL; on SQLite the whole
    transaction is already alone.
    """
    row = Shop.objects.filter(pk=Shop.objects.current().pk)
    row.update(next_job_number=F("next_job_number"))


def slot_taken(job: Job) -> list[str]:
    """Why the job's slot cannot be had, or nothing; the job may be one not yet saved."""
    taken = Job.objects.clashing(job.bay_id, job.starts_at, job.ends_at, but=job.pk)
    clash = taken.order_by("starts_at").first()
    if clash is None:
        return []
    return [
        f"{job.bay} is taken by {clash} from {wording.dated(clash.starts_at)} to "
        f"{wording.dated(clash.ends_at)}: choose a free time or another bay."
    ]


def bay_occupied(job: Job) -> list[str]:
    """Why the job cannot be in its bay now, or nothing."""
    other = Job.objects.filter(bay_id=job.bay_id, stage=Stage.IN_BAY).exclude(pk=job.pk).first()
    if other is None:
        return []
    return [
        f"{other} is still in {job.bay}: finish it, put it on hold, or move one of the two jobs "
        "to another bay."
    ]


@contextmanager
def claim(job: Job) -> Iterator[None]:
    """Write the job inside: what the database refuses for a bay's sake is refused in words."""
    try:
        with transaction.atomic():
            yield
    except IntegrityError as error:
        rule = broken_rule(error)
        if not rule:
            raise
        reasons = bay_occupied(job) if rule == IN_BAY else slot_taken(job)
        raise Refused(
            *reasons or [f"{job.bay} was taken by another job just now: try again."]
        ) from None
