"""When the shop is open, and who is away."""

from datetime import time
from typing import Final

from django.conf import settings
from django.db import models
from django.utils.dates import WEEKDAYS

from shop.models.branches import Branch, first_branch

UNSAID_OPENS: Final = time(7)
UNSAID_CLOSES: Final = time(19)
"""The hours a day has in a shop that has not said its own. Common practice, no source."""


class OpenHours(models.Model):
    """The hours of one weekday. A branch without a single row has not said when it is open."""

    branch = models.ForeignKey(
        Branch, models.PROTECT, related_name="+", default=first_branch, editable=False
    )
    weekday = models.PositiveSmallIntegerField(choices=sorted(WEEKDAYS.items()))
    opens_at = models.TimeField()
    closes_at = models.TimeField()

    class Meta:
        ordering = ["weekday"]
        verbose_name = "opening hours"
        verbose_name_plural = "opening hours"
        constraints = [
            models.UniqueConstraint(fields=["branch", "weekday"], name="open_hours_once_a_day"),
            models.CheckConstraint(
                condition=models.Q(closes_at__gt=models.F("opens_at")),
                name="open_hours_in_order",
                violation_error_message="The shop closes before it opens: change one of the times.",
            ),
        ]

    def __str__(self) -> str:
        return str(self.get_weekday_display())


class Days(models.Model):
    """A stretch of days, both ends in it."""

    first_day = models.DateField("from")
    last_day = models.DateField("to, that day too")
    why = models.CharField("why", max_length=80, blank=True)

    class Meta:
        abstract = True


class ClosedDays(Days):
    """Days on which a branch is closed beside the public holidays."""

    branch = models.ForeignKey(
        Branch, models.PROTECT, related_name="+", default=first_branch, editable=False
    )

    class Meta:
        ordering = ["first_day", "pk"]
        verbose_name = "closed days"
        verbose_name_plural = "closed days"
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last_day__gte=models.F("first_day")),
                name="closed_days_in_order",
                violation_error_message="The last day comes before the first: change one of them.",
            ),
        ]

    def __str__(self) -> str:
        return self.why or "Closed"


class WorkedHoliday(models.Model):
    """A public holiday on which the shop is open all the same, at that weekday's hours."""

    day = models.DateField(unique=True)

    class Meta:
        ordering = ["day"]

    def __str__(self) -> str:
        return f"{self.day}"


class Absence(Days):
    """Days on which somebody does not work."""

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.CASCADE,
        related_name="absences",
        limit_choices_to={"is_active": True},
    )

    class Meta:
        ordering = ["first_day", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last_day__gte=models.F("first_day")),
                name="absence_in_order",
                violation_error_message="The last day comes before the first: change one of them.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} away"
