"""Readings: measured values before the work and after it."""

from typing import Any, Final

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.models import Reading, ReadingKind
from jobs.services.ask_once import output_read, reading_taken, steps_met
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, open_job, write_row
from shop.models import StaffMember
from shop.services.events import subject_of

UNITS: Final = ("V", "A", "mA", "Ω", "dB", "Hz", "°C", "mm")


@transaction.atomic
def record(
    number: int,
    pk: int,
    phase: str,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
    instrument: str = "",
) -> Saved:
    """Save a value or its instrument; who and when go with a value.

    `instrument` is the one this person used last: it is put beside a value given without one.
    """
    stamp: dict[str, Any] = {}
    if f"{phase}_value" in changes:
        taken = changes[f"{phase}_value"] is not None
        stamp = {
            f"{phase}_by": actor if taken else None,
            f"{phase}_at": timezone.now() if taken else None,
        }
        if taken and instrument and f"{phase}_instrument" not in changes:
            row = Reading.objects.filter(pk=pk, job__number=number).first()
            if row is not None and not getattr(row, f"{phase}_instrument"):
                stamp[f"{phase}_instrument"] = instrument
    saved = write_row(
        Reading,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="reading.taken",
        stamp=stamp,
    )
    if saved.changed and saved.job is not None and f"{phase}_value" in changes:
        if phase == "after":
            output_read(saved.job, saved.row, actor)
            reading_taken(saved.job, saved.row, actor)
        steps_met(saved.job, actor)
    return saved


@transaction.atomic
def add_reading(
    number: int,
    *,
    label: str,
    unit: str,
    wanted_before: bool,
    actor: StaffMember,
    key: str = "",
) -> Reading | None:
    """Add a reading of this job's own to the list; None when this key was already saved."""
    job = open_job(number)
    if done_before(key):
        return None
    last = job.readings.aggregate(last=Max("order"))["last"] or 0
    row = Reading.objects.create(
        job=job,
        kind=ReadingKind.OTHER,
        label=label,
        unit=unit,
        order=last + 1,
        wanted_before=wanted_before,
    )
    log(job, actor, "reading.added", subject=subject_of(row), after={"label": label}, key=key)
    return row
