"""Addresses of other programs that are told what happened, and each thing they are told."""

from django.conf import settings
from django.db import models
from django.utils import timezone


class News(models.TextChoices):
    """What another program may be told."""

    BOOKED = "job.booked", "A job is booked"
    STAGE = "job.stage", "A job changes its stage"
    SIGNED = "sheet.signed", "A sheet is signed"
    CORRECTION = "correction.opened", "A signed sheet is opened again"
    COMEBACK = "comeback.opened", "A car comes back for earlier work"
    TEST = "test", "A test"


class Hook(models.Model):
    """One address, what it is told, and the sealed secret that each delivery is signed with.

    With a `branch` it is told of the jobs of that branch alone, as each stands when it happens.
    """

    name = models.CharField("program", max_length=60)
    address = models.CharField(max_length=500)
    news = models.JSONField("is told", default=list)
    branch = models.ForeignKey(
        "shop.Branch", models.PROTECT, null=True, blank=True, related_name="+"
    )
    sealed = models.TextField(editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    made_at = models.DateTimeField(auto_now_add=True)
    ended_at = models.DateTimeField(null=True, editable=False)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        verbose_name = "address that is told"
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name


class Told(models.TextChoices):
    """How far a delivery has come."""

    WAITING = "waiting", "Waits to go out"
    GOING = "going", "Going out"
    TAKEN = "taken", "Taken"
    GIVEN_UP = "given_up", "Given up"


class HookDelivery(models.Model):
    """One thing told to one address, at least once. `key` is the same at every try."""

    hook = models.ForeignKey(Hook, models.CASCADE, related_name="deliveries")
    key = models.CharField(max_length=40, unique=True)
    news = models.CharField(max_length=20, choices=News)
    body = models.TextField()
    at = models.DateTimeField(default=timezone.now)
    state = models.CharField(max_length=10, choices=Told, default=Told.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    not_before = models.DateTimeField(default=timezone.now)
    going_since = models.DateTimeField(null=True)
    answered = models.CharField(max_length=500, blank=True)

    class Meta:
        verbose_name = "delivery"
        ordering = ["-pk"]
        indexes = [
            models.Index(
                fields=["not_before"],
                name="delivery_to_go_out",
                condition=models.Q(state__in=("waiting", "going")),
            )
        ]

    def __str__(self) -> str:
        return f"{self.news} {self.key}"

    @property
    def is_given_up(self) -> bool:
        """Whether nothing more is tried by itself."""
        return self.state == Told.GIVEN_UP
