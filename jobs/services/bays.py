"""Taking a bay: one at a time, and in words when it is taken.

Everything that needs a free bay takes the book's lock first. What gets past a check all the same
is refused by the database (see `jobs.bay_guard`), and told in the same words.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils.translation import gettext

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
    row.update(name=F("name"))


def slot_taken(job: Job) -> list[str]:
    """Why the job's slot cannot be had, or nothing; the job may be one not yet saved."""
    taken = Job.objects.clashing(job.bay_id, job.starts_at, job.ends_at, but=job.pk)
    clash = taken.order_by("starts_at").first()
    if clash is None:
        return []
    return [
        gettext(
            "%(bay)s is taken by %(job)s from %(start)s to %(end)s: choose a free time or another "
            "bay."
        )
        % {
            "bay": job.bay,
            "job": clash,
            "start": wording.dated(clash.starts_at),
            "end": wording.dated(clash.ends_at),
        }
    ]


def bay_occupied(job: Job) -> list[str]:
    """Why the job cannot be in its bay now, or nothing."""
    other = Job.objects.filter(bay_id=job.bay_id, stage=Stage.IN_BAY).exclude(pk=job.pk).first()
    if other is None:
        return []
    return [
        gettext(
            "%(job)s is still in %(bay)s: finish it, put it on hold, or move one of the two jobs "
            "to another bay."
        )
        % {"job": other, "bay": job.bay}
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
        just_now = gettext("%(bay)s was taken by another job just now: try again.")
        raise Refused(*reasons or [just_now % {"bay": job.bay}]) from None
