"""What one job's tuning takes for granted; the row is made with its first value."""

from typing import Any

from django.db import transaction

from jobs.models import Job, TuningFacts
from jobs.services.saving import Saved, open_job, save_row
from shop.models import StaffMember


def facts_of(job: Job) -> TuningFacts:
    """The job's facts; the defaults, unsaved, while nobody changed any."""
    return TuningFacts.objects.filter(job=job).first() or TuningFacts(job=job, version=0)


@transaction.atomic
def save_facts(
    number: int, changes: dict[str, Any], *, actor: StaffMember, version: int, key: str = ""
) -> Saved:
    """Save air temperature, test tone, track overlap, target curve or smoothing."""
    job = open_job(number)
    row = TuningFacts.objects.get_or_create(job=job)[0]
    return save_row(
        TuningFacts, row.pk, changes, number=number, actor=actor, version=version, key=key
    )
