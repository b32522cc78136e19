"""Why a car came back: the shop's own list of causes, and what was found on one job."""

from django.db import models


class ComebackCauseQuerySet(models.QuerySet["ComebackCause"]):
    def in_use(self) -> "ComebackCauseQuerySet":
        return self.filter(active=True)


class ComebackCause(models.Model):
    """A cause in the shop's words; one out of use is offered no more and keeps its jobs."""

    name = models.CharField("cause", max_length=60, unique=True)
    order = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)

    objects = ComebackCauseQuerySet.as_manager()

    class Meta:
        ordering = ["order", "name"]

    def __str__(self) -> str:
        return self.name


class ComebackFacts(models.Model):
    """Why one comeback came back. No sheet shows it: it is found out late, and for the shop."""

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="comeback")
    cause = models.ForeignKey(
        ComebackCause, models.PROTECT, null=True, blank=True, related_name="comebacks"
    )
    found = models.CharField("what was found", max_length=300, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        verbose_name = "cause of the comeback"

    def __str__(self) -> str:
        return ""
