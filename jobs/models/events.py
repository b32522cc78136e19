"""The event log: every change says who, when, from, to."""

from django.conf import settings
from django.db import models
from django.utils import timezone

from shop.typed import row_key


class JobEvent(models.Model):
    """One change. `code` and data are stored; the sentence is made when it is shown.

    `key` is made by the client that saved, so that a repeat after a lost reply changes nothing.
    `number` counts within the job and `chain` is a keyed hash over this event and the one before
    it; events from before there was a key have neither (see `jobs.services.record`).
    """

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="events")
    at = models.DateTimeField(default=timezone.now, editable=False)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    code = models.CharField(max_length=40)
    subject = models.CharField(max_length=60, blank=True)
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    key = models.CharField(  # noqa: DJ001 -- null so that events without a key stay unique
        max_length=64, null=True, unique=True, editable=False
    )
    number = models.PositiveIntegerField(null=True, editable=False)
    chain = models.CharField(max_length=64, blank=True, editable=False)

    sentence = ""
    """What happened, in words; `jobs.reads.history` sets it on what it reads."""

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["job", "-id"], name="event_job_newest")]

    def __str__(self) -> str:
        return f"{self.code} {self.subject}".strip()

    @property
    def about(self) -> tuple[str, int]:
        """The kind of row that its subject names, and that row's key, 0 where it names none."""
        kind, _, key = self.subject.partition(":")
        return kind, row_key(key) or 0
