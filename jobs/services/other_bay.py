"""Starting work in another bay than the one booked: the bench does it where the bay is taken."""

from typing import NamedTuple

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.services import moves
from jobs.services.bays import bay_occupied, claim, hold_the_book
from jobs.services.booking import Slot, check_slot
from jobs.services.events import log
from shop.models import Bay, StaffMember


class Choice(NamedTuple):
    """A bay, and why the job cannot start there; nothing where it can."""

    bay: Bay
    why_not: str


def _why_not(job: Job, bay: Bay) -> str:
    """Why the job cannot start in a bay now, or nothing."""
    there = Job(pk=job.pk, bay=bay, starts_at=job.starts_at, ends_at=job.ends_at)
    if reasons := bay_occupied(there):
        return reasons[0]
    try:
        if bay.pk != job.bay_id:
            check_slot(Slot(bay, job.starts_at, job.ends_at), but=job)
    except Refused as refused:
        return refused.reasons[0]
    return ""


def choices(job: Job) -> list[Choice]:
    """Every bay in use of the job's branch, the one booked first, with what speaks against it."""
    bays = sorted(
        Bay.objects.filter(active=True, branch=job.bay.branch_id),
        key=lambda bay: bay.pk != job.bay_id,
    )
    return [Choice(bay, _why_not(job, bay)) for bay in bays]


@transaction.atomic
def start_in(number: int, bay_pk: int, *, actor: StaffMember) -> Job:
    """Move the job's slot to another bay and start work there: all of it or nothing.

    A repeat changes nothing. Raises Refused where the bay is taken, now or in the job's slot, or
    the person may not start; ChangedMeanwhile when somebody moved the job first.
    """
    hold_the_book()
    job = Job.objects.select_for_update(of=("self",)).select_related("bay").get(number=number)
    if job.stage == Stage.IN_BAY and job.bay_id == bay_pk:
        return job
    moves.check_move(job, "start_work", actor, but="bay_free_now")
    bay = Bay.objects.filter(pk=bay_pk, active=True, branch=job.bay.branch_id).first()
    if bay is None:
        raise Refused(gettext("That bay is out of use: choose another."))
    if bay.pk != job.bay_id:
        if why := _why_not(job, bay):
            raise Refused(why)
        booked, job.bay = job.bay, bay
        job.version += 1
        with claim(job):
            job.save(update_fields=["bay", "version"])
        log(job, actor, "job.changed", before={"bay": str(booked)}, after={"bay": str(bay)})
    return moves.move(job.pk, "start_work", actor)
