"""Time spent on a job: one entry from each start to the next pause or stop."""

from datetime import datetime, timedelta

from django.conf import settings
from django.db import models
from django.utils import timezone


class ClockEnd(models.TextChoices):
    RUNNING = "", "Running"
    PAUSED = "paused", "Paused"
    STOPPED = "stopped", "Stopped"


class TimeEntryQuerySet(models.QuerySet["TimeEntry"]):
    def running(self) -> "TimeEntryQuerySet":
        return self.filter(ended_at=None)

    def with_names(self) -> "TimeEntryQuerySet":
        return self.select_related("job__bay", "technician")


class TimeEntry(models.Model):
    """One stretch of one technician's time on one job; it runs while `ended_at` is empty.

    `forgotten` says that the clock was left running and its end was written in afterwards.
    `confirmed_at` is when the technician last said that the work still goes on.
    """

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="time_entries")
    technician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="time_entries"
    )
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.CharField(max_length=8, choices=ClockEnd, blank=True, default="")
    note = models.CharField(max_length=200, blank=True)
    forgotten = models.BooleanField(default=False)
    confirmed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    objects = TimeEntryQuerySet.as_manager()

    class Meta:
        verbose_name = "clock"
        ordering = ["started_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ended_at=None) | models.Q(ended_at__gte=models.F("started_at")),
                name="clock_ends_after_start",
                violation_error_message="The clock ends before it starts.",
            ),
            models.UniqueConstraint(
                fields=["technician"],
                condition=models.Q(ended_at=None),
                name="clock_one_running_each",
                violation_error_message="A clock of this technician runs already.",
            ),
        ]

    def __str__(self) -> str:
        return str(self.technician)

    @property
    def is_running(self) -> bool:
        return self.ended_at is None

    def length(self, now: datetime | None = None) -> timedelta:
        """How long it lasted, or has run until now."""
        return (self.ended_at or now or timezone.now()) - self.started_at
