"""The photos of a sheet: frozen by the SHA-256 of their pictures, printed small with their marks.

The document of a sheet lists every photo that is kept with the job. Its picture stays in its
file; a sheet shows it only while it is the very one that was signed.
"""

import hashlib
from collections.abc import Mapping
from datetime import UTC
from typing import Any, Final

from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, Photo
from jobs.photos.marks import with_marks
from jobs.reads.photos import PhotoBook

MOST_PRINTED: Final = 24
"""Pictures on one sheet; the rest are named in its record and kept with the job."""
PRINTED_SIDE: Final = 640
"""Longer side of a printed picture [pixels]: 280 to the inch on paper."""


def bytes_of(photo: Photo) -> bytes | None:
    """The picture as it is kept; None where its file is gone."""
    try:
        with photo.file.open("rb") as file:
            return bytes(file.read())
    except FileNotFoundError:
        return None


def _digest(photo: Photo) -> str:
    data = bytes_of(photo)
    if data is None:
        raise Refused(
            gettext(
                "The file of a photo is missing (number %(photo)s of %(job)s): restore "
                "it from the backup, or remove the photo, then sign again."
            )
            % {"photo": photo.pk, "job": photo.job}
        )
    return hashlib.sha256(data).hexdigest()


def photos_of(job: Job, digests: dict[int, str] | None) -> list[dict[str, Any]]:
    """Every kept photo of a job, as its sheet's document lists it.

    `digests` keeps what was read already, so that a picture is read once a signature; None for a
    draft, which names no digest. Raises Refused where a picture to be signed is missing.
    """
    listed = []
    for group in PhotoBook.of(job).groups():
        for photo in group.photos:
            if digests is not None and photo.pk not in digests:
                digests[photo.pk] = _digest(photo)
            listed.append(
                {
                    "id": photo.pk,
                    "shows": group.title,
                    "caption": photo.caption,
                    "by": str(photo.by),
                    "at": (photo.taken_at or photo.at)
                    .astimezone(UTC)
                    .isoformat(timespec="seconds"),
                    "marks": photo.annotations,
                    "version": photo.version,
                    "sha256": digests[photo.pk] if digests is not None else None,
                }
            )
    return listed


def _signed_bytes(one: Mapping[str, Any], photo: Photo | None) -> bytes | None:
    data = bytes_of(photo) if photo is not None else None
    if data is None or one["sha256"] not in {None, hashlib.sha256(data).hexdigest()}:
        return None
    return data


def is_as_signed(one: Mapping[str, Any], photo: Photo | None) -> bool:
    """Whether the picture of a photo in a document is there, and the one that was signed."""
    return _signed_bytes(one, photo) is not None


def printed(one: Mapping[str, Any], photo: Photo | None) -> bytes | None:
    """A photo of a document as its sheet prints it; None where it is not the one signed."""
    data = _signed_bytes(one, photo)
    return None if data is None else with_marks(data, one["marks"], PRINTED_SIDE)


def printed_pictures(document: Mapping[str, Any]) -> dict[int, bytes]:
    """The pictures of a document by photo, small and with their marks; those missing left out."""
    listed = document.get("photos", ())[:MOST_PRINTED]
    rows = Photo.objects.in_bulk([one["id"] for one in listed])
    pictures = {one["id"]: printed(one, rows.get(one["id"])) for one in listed}
    return {pk: data for pk, data in pictures.items() if data is not None}
