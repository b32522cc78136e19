"""Measured responses: uploaded texts kept with what is wrong in them, and which of them count."""

from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, MeasuredPhase, MeasuredResponse, SetupVersion, TuningKind
from jobs.plan.document import plan_of
from jobs.plan.measured import counted, decode, read, settings_now
from jobs.services.events import done_before, log
from jobs.services.saving import cells_of, open_job
from shop.models import StaffMember
from shop.services.events import subject_of

MOST_KEPT = 200
MOST_BYTES = 4_000_000


def taken_with(job: Job, phase: str) -> dict[str, Any]:
    return settings_now(plan_of(job, TuningKind(phase)))


def set_aside_older(job: Job, row: MeasuredResponse) -> int:
    """An earlier one of the same thing at the same place counts no longer."""
    return (
        job.measured.filter(
            phase=row.phase, playing=row.playing, place__iexact=row.place, counts=True
        )
        .exclude(pk=row.pk)
        .exclude(points=[])
        .update(counts=False)
    )


def of_setup(job: Job, playing: str) -> list[MeasuredResponse]:
    """What was measured after the work on the car that the job's newest setup was saved from."""
    use = job.setup_uses.order_by("-pk").first()
    if use is None:
        return []
    version = SetupVersion.objects.filter(setup=use.setup_id, number=use.version)
    origin = version.values_list("from_sheet__job", flat=True).first()
    if origin is None or origin == job.pk:
        return []
    return counted(MeasuredResponse.objects.filter(job=origin), MeasuredPhase.AFTER, playing)


@transaction.atomic
def import_response(
    number: int,
    *,
    phase: str,
    playing: str,
    place: str,
    file_name: str,
    content: bytes,
    actor: StaffMember,
    key: str = "",
) -> MeasuredResponse | None:
    """Keep an uploaded text, readable or not; None when this key was already saved.

    A readable one takes the place of an earlier one of the same phase, sound and place, which
    is kept aside.
    """
    job = open_job(number)
    if done_before(key):
        return None
    if len(content) > MOST_BYTES:
        raise Refused(
            gettext("%(file_name)s is larger than 4 MB: export fewer points.")
            % {"file_name": file_name}
        )
    if job.measured.count() >= MOST_KEPT:
        raise Refused(
            gettext("This job has %(most)s measurements already: remove some first.")
            % {"most": MOST_KEPT}
        )
    text = decode(content).replace("\x00", "")
    response = read(text)
    row = MeasuredResponse.objects.create(
        job=job,
        phase=MeasuredPhase(phase),
        playing=playing,
        place=place,
        file_name=file_name[:200],
        text=text,
        points=response.points,
        problems=response.problems,
        notes=response.notes,
        taken_with=taken_with(job, phase),
        by=actor,
    )
    aside = set_aside_older(job, row) if response.points else 0
    log(
        job,
        actor,
        "measured.imported",
        subject=subject_of(row),
        after={
            "phase": phase,
            "playing": playing,
            "points": len(response.points),
            **({"set_aside": aside} if aside else {}),
        },
        key=key,
    )
    return row


@transaction.atomic
def correct_text(
    number: int, pk: int, text: str, *, actor: StaffMember, version: int, key: str = ""
) -> MeasuredResponse:
    """Read a kept text again after its faulty lines were put right.

    Raises Refused when somebody changed it since `version`.
    """
    job = open_job(number)
    row = job.measured.get(pk=pk)
    if done_before(key):
        return row
    if row.version != version:
        raise Refused(
            gettext("Somebody changed this measurement meanwhile: copy your text and look again.")
        )
    response = read(text.replace("\x00", ""))
    before = {"problems": len(row.problems), "points": len(row.points)}
    row.text, row.points, row.problems, row.notes = (
        text,
        response.points,
        response.problems,
        response.notes,
    )
    row.version += 1
    row.save(update_fields=["text", "points", "problems", "notes", "version"])
    if response.points:
        set_aside_older(job, row)
    log(
        job,
        actor,
        "measured.corrected",
        subject=subject_of(row),
        before=before,
        after={
            "problems": len(response.problems),
            "points": len(response.points),
            "version": row.version,
        },
        key=key,
    )
    return row


save_measured: Final = cells_of(MeasuredResponse, "measured.changed")
"""Save where it was taken, what was playing, or whether it counts."""


@transaction.atomic
def remove_measured(number: int, pk: int, *, actor: StaffMember, key: str = "") -> None:
    """Take a measurement away for good."""
    job = open_job(number)
    if done_before(key):
        return
    row = job.measured.get(pk=pk)
    before = {"file": row.file_name, "place": row.place, "phase": row.phase}
    log(job, actor, "measured.removed", subject=subject_of(row), before=before, key=key)
    row.delete()
