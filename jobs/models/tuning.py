"""Tuning records: full sets of settings at one moment."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from jobs import wording

FAMILY_CHOICES = list(wording.FAMILIES.items())
SLOPE_CHOICES = [(order, f"{6 * order} dB/oct") for order in range(1, 9)]
_CORNER = [MinValueValidator(10), MaxValueValidator(40_000)]


class TuningKind(models.TextChoices):
    BEFORE = "before", "Before (as found)"
    WORKING = "working", "Working"
    AFTER = "after", "After (as left)"


class TuningRecord(models.Model):
    """A named set of settings. A job has one `before`, one `after` and any number between."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="tuning_records")
    kind = models.CharField(max_length=8, choices=TuningKind)
    name = models.CharField(max_length=60)
    note = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["job", "kind"],
                condition=models.Q(kind__in=["before", "after"]),
                name="one_before_one_after",
            ),
            models.UniqueConstraint(fields=["job", "name"], name="record_name_once_a_job"),
        ]

    def __str__(self) -> str:
        return self.name


class ChannelSetting(models.Model):
    """What the processor does to one channel in one tuning record."""

    record = models.ForeignKey(TuningRecord, models.CASCADE, related_name="settings")
    channel = models.ForeignKey("jobs.Channel", models.CASCADE, related_name="settings")
    high_pass_family = models.CharField(max_length=16, choices=FAMILY_CHOICES, blank=True)
    high_pass_order = models.PositiveSmallIntegerField(null=True, blank=True, choices=SLOPE_CHOICES)
    high_pass_hz = models.FloatField(null=True, blank=True, validators=_CORNER)
    low_pass_family = models.CharField(max_length=16, choices=FAMILY_CHOICES, blank=True)
    low_pass_order = models.PositiveSmallIntegerField(null=True, blank=True, choices=SLOPE_CHOICES)
    low_pass_hz = models.FloatField(null=True, blank=True, validators=_CORNER)
    level_db = models.FloatField(
        "level, dB", default=0.0, validators=[MinValueValidator(-120), MaxValueValidator(30)]
    )
    delay_ms = models.FloatField(
        "delay, ms", default=0.0, validators=[MinValueValidator(0), MaxValueValidator(1000)]
    )
    inverted = models.BooleanField("polarity inverted", default=False)
    muted = models.BooleanField(default=False)
    sections = models.JSONField(default=list, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["record", "channel"], name="setting_once_a_record"),
        ]

    def __str__(self) -> str:
        return f"{self.channel} in {self.record}"


class OtherSetting(models.Model):
    """A setting outside the channels (head unit bass, fade, module output), before and after."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="other_settings")
    name = models.CharField(max_length=80)
    before = models.CharField(max_length=80, blank=True)
    after = models.CharField(max_length=80, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "name"], name="other_setting_once_a_job"),
        ]

    def __str__(self) -> str:
        return self.name
