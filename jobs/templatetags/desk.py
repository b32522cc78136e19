"""How the front desk's pages say a promise and what was read on arrival."""

from django import template
from django.utils import timezone

from jobs import wording
from jobs.lifecycle import Stage
from jobs.models import CheckIn, DeskFacts, Job
from jobs.models.job import Promised
from shop.typed import as_typed

register = template.Library()


@register.filter
def lateness(job: Promised) -> str:
    """How late a job is: "3 h"."""
    return wording.about(timezone.now() - job.promised_at)


@register.filter
def absence(job: Promised) -> str:
    """For how long a car that should be here has not come: "40 min"."""
    return wording.about(timezone.now() - job.starts_at)


register.filter("local_minute", as_typed)


@register.filter
def slot_minutes(job: Job) -> int:
    """How long the job has its bay, in minutes."""
    return round((job.ends_at - job.starts_at).total_seconds() / 60)


@register.filter
def stay(job: Job) -> str:
    """What the customer does meanwhile; empty when nobody said. Read with `with_names`."""
    try:
        return job.desk.stay_said
    except DeskFacts.DoesNotExist:
        return ""


@register.filter
def odometer(check_in: CheckIn) -> str:
    """What the odometer stood at on arrival."""
    if check_in.odometer is None:
        return "Not read"
    return wording.odometer(check_in.odometer, check_in.odometer_unit)


@register.filter
def readiness(job: Job) -> str:
    """The short answer to "is it ready?": yes, gone, no, or not coming.

    A car whose sheet is being corrected waits for the sheet; one that is gone stays gone.
    """
    if job.correction and job.stage == Stage.SIGNED_OFF:
        return "not_yet"
    return {"signed_off": "ready", "collected": "gone", "cancelled": "off"}.get(
        job.stage, "not_yet"
    )
