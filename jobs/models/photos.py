"""Photos of a job: each belongs to a subject, and can carry arrows and circles."""

from pathlib import PurePath

from django.conf import settings
from django.db import models


def photo_path(photo: "Photo", name: str) -> str:
    """Where a picture is kept: by job, under the key its client made."""
    return f"photos/{photo.job_id}/{photo.key}{PurePath(name).suffix}"


class PhotoQuerySet(models.QuerySet["Photo"]):
    def kept(self) -> "PhotoQuerySet":
        """Photos that were not removed."""
        return self.filter(removed_at=None)


class Photo(models.Model):
    """A picture taken in the shop, re-encoded and without location.

    `subject` says what it shows: "job", "check_in", or a kind and a key such as "step:12",
    "channel:7", "mark:1f0c…" or "function:9". `annotations` are circles and arrows in fractions
    of width and height; the picture itself stays as it was taken. `key` is made by the client, so
    that sending a photo twice keeps it once. `taken_at` is what the device said.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="photos")
    subject = models.CharField(max_length=60)
    file = models.FileField(upload_to=photo_path, max_length=160)
    thumbnail = models.FileField(upload_to=photo_path, max_length=160)
    width = models.PositiveIntegerField(editable=False)
    height = models.PositiveIntegerField(editable=False)
    caption = models.CharField(max_length=200, blank=True)
    annotations = models.JSONField("marks drawn on it", default=list, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    taken_at = models.DateTimeField(null=True, blank=True)
    key = models.CharField(max_length=64, unique=True, editable=False)
    removed_at = models.DateTimeField(null=True, blank=True, editable=False)
    removed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    version = models.PositiveIntegerField(default=1, editable=False)

    objects = PhotoQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["job", "subject"], name="photo_job_subject")]

    def __str__(self) -> str:
        return self.caption or f"photo {self.pk}"
