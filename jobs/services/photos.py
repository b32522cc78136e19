"""Photos: kept once, marked, captioned, removed and put back."""

import re
from datetime import datetime, timedelta
from typing import Any, Final

from django.core.files.base import ContentFile
from django.db import models, transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import (
    Channel,
    CheckIn,
    FunctionCheck,
    Job,
    JobPart,
    JobSpeaker,
    JobStep,
    Photo,
    PowerRun,
)
from jobs.photos.files import Readable, read_picture
from jobs.photos.marks import clean_marks
from jobs.services.events import log
from jobs.services.saving import Saved, locked_job, save_row
from shop.models import StaffMember
from shop.on_disk import stored_first
from shop.services.events import subject_of
from shop.typed import row_key

"""Stages in which photos are taken and changed: arrival has its photos before the sheet opens."""
MOST_PHOTOS: Final = 500
KINDS: Final[dict[str, type[models.Model]]] = {
    "step": JobStep,
    "channel": Channel,
    "function": FunctionCheck,
    "part": JobPart,
    "speaker": JobSpeaker,
    "run": PowerRun,
}
"""Subjects that are a row of the job."""
_KEY: Final = re.compile(r"[\w-]{8,64}\Z", re.ASCII)
_MARK: Final = re.compile(r"mark:[\w-]{1,36}\Z", re.ASCII)


def open_for_photos(number: int) -> Job:
    """The job, locked, if it takes photos; Refused otherwise. Call inside a transaction."""
    job = locked_job(number)
    _require_open(job)
    return job


def _require_open(job: Job) -> None:
    if not job.takes_changes:
        raise Refused(
            gettext(
                "Photos are closed: the job is %(standing)s. Take it back from review, "
                "or ask a manager to open a correction."
            )
            % {"standing": job.standing}
        )


def is_subject(text: str) -> bool:
    """Whether a text names a subject, whatever job it may be of."""
    kind, _, key = text.partition(":")
    if kind in KINDS:
        return row_key(key) is not None
    return text in {"job", "check_in"} or bool(_MARK.match(text))


def _stands(job: Job, subject: str) -> bool:
    """The row that the subject names is there, in this job."""
    kind, _, key = subject.partition(":")
    model = KINDS.get(kind)
    return model is None or model._default_manager.filter(pk=row_key(key), job=job).exists()


def add_photo(
    number: int,
    file: Readable,
    size_bytes: int,
    *,
    subject: str,
    key: str,
    actor: StaffMember,
    caption: str = "",
    taken_at: datetime | None = None,
) -> Photo:
    """Keep a photo; a repeat of `key` gives the one that is kept already.

    A photo whose row has gone meanwhile is kept with the job itself, never lost. Raises Refused
    when it cannot be read or the job takes no photos, Job.DoesNotExist without the job.
    """
    if not is_subject(subject) or not _KEY.match(key):
        raise Refused(
            gettext("This photo came without saying what it shows: reload the page, then retry.")
        )
    if known := Photo.objects.filter(key=key, job__number=number).first():
        return known
    picture = read_picture(file, size_bytes)
    job = Job.objects.get(number=number)
    _require_open(job)
    now = timezone.now()
    if taken_at is not None and not now - timedelta(days=366) < taken_at < now + timedelta(days=1):
        taken_at = None
    photo = Photo(
        job=job,
        subject=subject,
        width=picture.width,
        height=picture.height,
        caption=caption.strip()[:200],
        by=actor,
        taken_at=taken_at,
        key=key,
    )
    with stored_first() as files:
        files.put(photo.file, "photo.jpg", ContentFile(picture.jpeg))
        files.put(photo.thumbnail, "thumbnail.jpg", ContentFile(picture.thumbnail))
        with transaction.atomic():
            kept = _keep(number, photo, subject)
            files.stand = kept is photo
    return kept


def _keep(number: int, photo: Photo, subject: str) -> Photo:
    """The photo with its row, or the one that was kept under its key meanwhile."""
    job = open_for_photos(number)
    if known := Photo.objects.filter(key=photo.key).first():
        if known.job_id != job.pk:
            raise Refused(gettext("This photo is kept with another job already."))
        return known
    if job.photos.count() >= MOST_PHOTOS:
        raise Refused(
            gettext("This job has %(most)s photos, and takes no more.") % {"most": MOST_PHOTOS}
        )
    photo.job = job
    photo.subject = subject if _stands(job, subject) else "job"
    photo.save(force_insert=True)
    after = {"shows": subject, "caption": photo.caption, "taken": photo.taken_at}
    log(
        job,
        photo.by,
        "photo.added",
        subject=subject_of(photo),
        after={name: str(value) for name, value in after.items() if value},
    )
    return photo


def _refuse_signed(photo: Photo) -> None:
    """The customer signed the condition with these photos beside it."""
    if not photo.subject.startswith(("check_in", "mark:")):
        return
    if CheckIn.objects.filter(job=photo.job_id, signed_at__gte=photo.at).exists():
        raise Refused(
            gettext(
                "The customer signed the condition with this photo in it, so it stays as "
                "it is. Add another photo to the job to show more."
            )
        )


@transaction.atomic
def change_photo(
    number: int,
    pk: int,
    changes: dict[str, Any],
    *,
    version: int,
    actor: StaffMember,
    key: str = "",
) -> Saved:
    """Write caption and marks of a photo, by the rules of every saved row.

    Raises Refused, or Photo.DoesNotExist.
    """
    if "annotations" in changes:
        changes = {**changes, "annotations": clean_marks(changes["annotations"])}
    photo = Photo.objects.get(pk=pk, job__number=number)
    _refuse_signed(photo)
    return save_row(
        Photo,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        opens=open_for_photos,
    )


@transaction.atomic
def remove_photo(number: int, pk: int, *, actor: StaffMember, back: bool = False) -> Photo:
    """Take a photo away, or with `back` put it back; its file stays. A repeat changes nothing.

    Raises Refused, or Photo.DoesNotExist.
    """
    job = open_for_photos(number)
    photo = Photo.objects.get(pk=pk, job=job)
    if (photo.removed_at is None) == back:
        return photo
    _refuse_signed(photo)
    photo.removed_at = None if back else timezone.now()
    photo.removed_by = None if back else actor
    photo.version += 1
    photo.save(update_fields=["removed_at", "removed_by", "version"])
    log(job, actor, f"photo.{'put_back' if back else 'removed'}", subject=subject_of(photo))
    return photo
