"""The vehicle's condition on arrival, and the customer's signature on it."""

import uuid

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models


class CheckIn(models.Model):
    """Condition on arrival. `signature` is a PNG data URL, or empty where a typed name stands."""

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="check_in")
    odometer = models.PositiveIntegerField(null=True, blank=True)
    odometer_unit = models.CharField(
        max_length=2, choices=[("km", "km"), ("mi", "miles")], default="km"
    )
    energy_percent = models.PositiveSmallIntegerField(
        "fuel or charge, %", null=True, blank=True, validators=[MaxValueValidator(100)]
    )
    keys_count = models.PositiveSmallIntegerField(
        "keys handed over", default=1, validators=[MaxValueValidator(20)]
    )
    keys_note = models.CharField("where the keys are", max_length=80, blank=True)
    valuables = models.TextField("valuables left in the car", blank=True)
    customer_report = models.TextField("what the customer reports", blank=True)
    signed_name = models.CharField("signed by", max_length=80, blank=True)
    signature = models.TextField(blank=True)
    signed_at = models.DateTimeField(null=True, blank=True)
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True, blank=True
    )
    version = models.PositiveIntegerField(default=1, editable=False)

    def __str__(self) -> str:
        return f"Check-in of {self.job}"


class MarkKind(models.TextChoices):
    SCRATCH = "scratch", "Scratch"
    DENT = "dent", "Dent"
    CHIP = "chip", "Chip"
    CRACK = "crack", "Crack"
    STAIN = "stain", "Stain"
    MISSING = "missing", "Missing part"
    OTHER = "other", "Other"


def new_mark_key() -> str:
    """A key for a mark that has none yet."""
    return str(uuid.uuid4())


class ConditionMark(models.Model):
    """A mark on the car outline; x and y are fractions of the drawing.

    `key` is made when the mark is put down and stays while others come and go: photos hold to it.
    """

    check_in = models.ForeignKey(CheckIn, models.CASCADE, related_name="marks")
    kind = models.CharField(max_length=10, choices=MarkKind)
    x = models.FloatField(validators=[MinValueValidator(0), MaxValueValidator(1)])
    y = models.FloatField(validators=[MinValueValidator(0), MaxValueValidator(1)])
    note = models.CharField(max_length=120, blank=True)
    key = models.CharField(max_length=36, default=new_mark_key, editable=False)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}{': ' if self.note else ''}{self.note}"
