"""Readings of the level guide: the signal at an input, the output at the test tone."""

from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.models import Job, Reading, ReadingKind
from jobs.services.ask_once import output_label, output_read, reading_taken, steps_met
from jobs.services.events import log
from jobs.services.saving import Saved, open_job, write_row
from shop.models import StaffMember
from shop.services.events import subject_of

KINDS = (ReadingKind.SIGNAL, ReadingKind.OUTPUT)


def level_readings(job: Job) -> dict[tuple[str, str], Reading]:
    """Readings of the guide by kind and plan id: of inputs by device, of outputs by channel."""
    rows = job.readings.filter(kind__in=KINDS).exclude(about="").select_related("after_by")
    return {(row.kind, row.about): row for row in rows if not row.of_whole_device}


def _label(kind: str, about: str) -> str:
    if kind == ReadingKind.SIGNAL:
        return f"Signal at the input of {about}, test tone"
    return output_label(about)


@transaction.atomic
def save_level(
    number: int,
    kind: str,
    about: str,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
    instrument: str = "",
) -> Saved:
    """Save a voltage or its instrument; the reading joins the job's list with its first value.

    A reading whose value is taken away again leaves the list. `instrument` is the one this person
    used last: it is put beside a value given without one.
    """
    job = open_job(number)
    row = job.readings.filter(kind=kind, about=about).first()
    if row is None:
        if changes.get("after_value") is None:
            return Saved(Reading(kind=kind, about=about, version=0))
        last = job.readings.aggregate(last=Max("order"))["last"] or 0
        row = Reading.objects.create(
            job=job,
            kind=kind,
            about=about,
            label=_label(kind, about),
            unit="V",
            order=last + 1,
            wanted_before=False,
        )
    stamp: dict[str, Any] = {}
    if changes.get("after_value") is not None:
        stamp = {"after_by": actor, "after_at": timezone.now()}
        if instrument and not row.after_instrument and "after_instrument" not in changes:
            stamp["after_instrument"] = instrument
    saved = write_row(
        Reading,
        row.pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="reading.taken",
        stamp=stamp,
    )
    if saved.changed and "after_value" in changes:
        row = saved.row
        output_read(job, row, actor)
        if row.after_value is None:
            saved = _taken_away(job, saved, actor)
        reading_taken(job, row, actor)
        steps_met(job, actor)
    return saved


def _taken_away(job: Job, saved: Saved, actor: StaffMember) -> Saved:
    row = saved.row
    log(job, actor, "reading.removed", subject=subject_of(row), before={"label": row.label})
    row.delete()
    return Saved(Reading(kind=row.kind, about=row.about, version=0), changed=True)
