"""Checking a vehicle in: its condition is written down, then signed by the customer."""

from dataclasses import dataclass
from typing import Any, Final

from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import CHECK_IN_OPEN
from jobs.lists.car_places import nearest
from jobs.models import CheckIn, ConditionMark, Job
from jobs.models.check_in import new_mark_key
from jobs.services import record
from jobs.services.events import log
from jobs.services.moves import move
from shop.models import StaffMember

MOST_MARKS: Final = 100
MOST_SIGNATURE_CHARACTERS: Final = 400_000
LONGEST_NAME: Final = 80
PNG: Final = "data:image/png;base64,"


@dataclass(frozen=True)
class Mark:
    """A mark on the car outline; x and y are fractions of the drawing. Photos hold to its key."""

    kind: str
    x: float
    y: float
    note: str = ""
    key: str = ""

    @classmethod
    def of(cls, row: ConditionMark) -> "Mark":
        return cls(row.kind, round(row.x, 4), round(row.y, 4), row.note, row.key)


def check_in_of(job: Job) -> CheckIn | None:
    """The job's check-in, if one was begun."""
    return CheckIn.objects.filter(job=job).first()


@transaction.atomic
def save_check_in(
    job_id: int, values: dict[str, Any], marks: list[Mark], *, version: int, actor: StaffMember
) -> CheckIn:
    """Write the condition down; may be repeated until the customer has signed.

    `version` is that of the check-in when the form was opened, 0 when there was none. Raises
    Refused when it is signed or the job is past arrival, ChangedMeanwhile when somebody else
    saved it first.
    """
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    if job.stage not in CHECK_IN_OPEN:
        raise Refused(
            gettext("%(job)s is %(stage)s: its check-in is closed.")
            % {"job": job, "stage": job.get_stage_display().lower()}
        )
    if len(marks) > MOST_MARKS:
        raise Refused(
            gettext("More than %(most)s marks: put several into one mark's note.")
            % {"most": MOST_MARKS}
        )
    check_in = check_in_of(job)
    if check_in is not None and check_in.signed_at is not None:
        raise Refused(gettext("The customer has signed this condition, so it stays as it is."))
    if (check_in.version if check_in else 0) != version:
        raise ChangedMeanwhile(
            gettext(
                "Somebody else saved this check-in while you were typing. What you typed "
                "is kept below: compare it with theirs, then save again."
            )
        )
    is_new = check_in is None
    check_in = check_in or CheckIn.objects.create(job=job, taken_by=actor)
    before, after = _write(check_in, values, actor)
    old = [Mark.of(row) for row in check_in.marks.all()]
    if old != marks:
        check_in.marks.all().delete()
        ConditionMark.objects.bulk_create(
            ConditionMark(
                check_in=check_in,
                kind=m.kind,
                x=m.x,
                y=m.y,
                note=m.note,
                key=m.key or new_mark_key(),
            )
            for m in marks
        )
        before["marks"], after["marks"] = _said(old), _said(marks)
    if after or is_new:
        if not is_new:
            CheckIn.objects.filter(pk=check_in.pk).update(version=F("version") + 1)
        log(job, actor, "check_in.saved", before=before, after=after)
    check_in.refresh_from_db()
    return check_in


def _write(
    check_in: CheckIn, values: dict[str, Any], actor: StaffMember
) -> tuple[dict[str, Any], dict[str, Any]]:
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    for name, value in values.items():
        if getattr(check_in, name) != value:
            before[name], after[name] = getattr(check_in, name), value
            setattr(check_in, name, value)
    if after:
        check_in.taken_by = actor
        check_in.save(update_fields=[*after, "taken_by"])
    return before, after


def _said(marks: list[Mark]) -> list[str]:
    return [
        f"{nearest(mark.x, mark.y).label}: {mark.kind}{', ' if mark.note else ''}{mark.note}"
        for mark in marks
    ]


@transaction.atomic
def sign_check_in(
    job_id: int, *, signed_name: str, signature: str, version: int, actor: StaffMember
) -> Job:
    """Take the customer's signature on the condition and check the job in.

    `signature` is a PNG data URL, or empty when the typed name stands alone. Raises Refused when
    there is no name, the picture is no PNG, or the job cannot be checked in; ChangedMeanwhile
    when the condition is not the one that was shown.
    """
    signed_name = signed_name.strip()
    if not signed_name:
        raise Refused(gettext("Type the name of the person who signs."))
    if len(signed_name) > LONGEST_NAME:
        raise Refused(
            gettext("The name is longer than %(longest_name)s letters: shorten it.")
            % {"longest_name": LONGEST_NAME}
        )
    if signature and not signature.startswith(PNG):
        raise Refused(gettext("The signature could not be read: clear it and sign again."))
    if len(signature) > MOST_SIGNATURE_CHARACTERS:
        raise Refused(gettext("The signature is too large: clear it and sign again."))
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    begun = check_in_of(job)
    if begun is not None and begun.signed_at is not None:
        raise ChangedMeanwhile(
            gettext(
                "%(signed_name)s has signed this condition already, so nothing was "
                "signed now: reload the page."
            )
            % {"signed_name": begun.signed_name}
        )
    changed = CheckIn.objects.filter(job=job, version=version, signed_at=None).update(
        signed_name=signed_name,
        signature=signature,
        signed_at=timezone.now(),
        taken_by=actor,
        version=F("version") + 1,
    )
    if not changed:
        raise ChangedMeanwhile(
            gettext("Somebody else changed this check-in: look it over once more.")
        )
    log(
        job,
        actor,
        "check_in.signed",
        after={"signed by": signed_name, "how": "by hand" if signature else "typed name"},
    )
    job = move(job_id, "check_in", actor)
    record.seal_check_in(CheckIn.objects.get(job_id=job_id))
    return job
