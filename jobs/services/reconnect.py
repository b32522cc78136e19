"""Steps that follow from a battery that was off: the vehicle model's list, or the usual one."""

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.lists.reconnect import USUAL
from jobs.models import Job, JobEvent, JobStep, StepOutcome
from jobs.services.events import done_before, log
from jobs.services.saving import open_job
from shop.models import StaffMember

CODE = "steps.reconnect"


def lines_of(job: Job) -> list[str]:
    """What this job's car wants to be taught again, a step each."""
    own = job.vehicle.vehicle_model.reconnect.splitlines()
    return list(dict.fromkeys(filter(None, (line.strip() for line in own)))) or list(USUAL)


def still_to_add(job: Job) -> list[str]:
    """Those of them that are no step of the job yet."""
    there = set(job.steps.values_list("text", flat=True))
    return [line for line in lines_of(job) if line not in there]


def added(job: Job) -> JobEvent | None:
    """What added them last, while each of its steps is still to do; it can be undone."""
    event = JobEvent.objects.filter(job=job, code=CODE).first()
    if event is None:
        return None
    keys = event.after["steps"]
    open_steps = job.steps.filter(pk__in=keys, outcome=StepOutcome.TO_DO).count()
    return event if open_steps == len(keys) else None


@transaction.atomic
def add_reconnect(number: int, actor: StaffMember, key: str = "") -> JobEvent:
    """Add what this car wants as the last steps of the job; its event undoes it.

    A repeat of a key changes nothing. Raises Refused when every one is a step already.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    lines = still_to_add(job)
    if not lines:
        raise Refused(gettext("Every one of them is a step of this job already."))
    first = (job.steps.aggregate(last=Max("order"))["last"] or 0) + 1
    made = [
        JobStep.objects.create(job=job, order=order, text=line[:200])
        for order, line in enumerate(lines, first)
    ]
    after = {"count": len(made), "steps": [step.pk for step in made]}
    return log(job, actor, CODE, after=after, key=key)


def undo_reconnect(event: JobEvent, actor: StaffMember) -> None:
    """Take the steps away again, save those that were worked on since: done, left out or with a
    photo."""
    job = event.job
    steps = job.steps.filter(pk__in=event.after["steps"], outcome=StepOutcome.TO_DO, version=1)
    shown = set(job.photos.kept().values_list("subject", flat=True))
    steps.filter(pk__in=[step.pk for step in steps if step.photo_subject not in shown]).delete()
