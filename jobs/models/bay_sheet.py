"""Fit proof, function checks, readings and notes: what the technician shows to be true."""

from django.conf import settings
from django.core.validators import FileExtensionValidator, MaxValueValidator
from django.db import models


class FitOutcome(models.TextChoices):
    FITS = "fits", "Fits"
    FITS_WITH_CHANGES = "fits_with_changes", "Fits with changes"
    DOES_NOT_FIT = "does_not_fit", "Does not fit"


class FitProof(models.Model):
    """Why this vehicle takes these parts: what was consulted, its number, when, by whom."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="fit_proofs")
    source = models.CharField("source consulted", max_length=120)
    reference = models.CharField("reference number", max_length=80, blank=True)
    consulted_on = models.DateField("consulted on")
    outcome = models.CharField(max_length=20, choices=FitOutcome)
    note = models.TextField(blank=True)
    guide = models.FileField(
        "attached guide",
        upload_to="guides/%Y/%m/",
        blank=True,
        validators=[FileExtensionValidator(["pdf", "png", "jpg", "jpeg", "txt"])],
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.source} {self.reference}".strip()


class FunctionResult(models.TextChoices):
    UNTRIED = "", "Not tried"
    WORKS = "works", "Works"
    FAULT = "fault", "Does not work"
    NOT_FITTED = "not_fitted", "Not fitted"


class HeardFrom(models.TextChoices):
    FRONT = "front", "Front"
    FRONT_LEFT = "front_left", "Front left"
    FRONT_RIGHT = "front_right", "Front right"
    DASH = "dash", "Dash"
    REAR = "rear", "Rear"
    REAR_LEFT = "rear_left", "Rear left"
    REAR_RIGHT = "rear_right", "Rear right"
    NEAR_SIDE = "near_side", "The near side"
    ALL_ROUND = "all_round", "All round"
    SOUNDER = "sounder", "A sounder of its own"
    OUTSIDE = "outside", "Outside the car"


class FunctionCheck(models.Model):
    """A factory function that must survive, tried before the work and after it."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="function_checks")
    group = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    how = models.CharField("how to try it", max_length=200, blank=True)
    order = models.PositiveSmallIntegerField(default=0)
    before = models.CharField(max_length=12, choices=FunctionResult, blank=True)
    before_note = models.CharField(max_length=200, blank=True)
    before_heard_from = models.CharField(
        "heard from, before", max_length=12, choices=HeardFrom, blank=True
    )
    before_level = models.CharField("level before", max_length=12, blank=True)
    before_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    before_at = models.DateTimeField(null=True, blank=True)
    after = models.CharField(max_length=12, choices=FunctionResult, blank=True)
    after_note = models.CharField(max_length=200, blank=True)
    after_heard_from = models.CharField(
        "heard from, after", max_length=12, choices=HeardFrom, blank=True
    )
    after_level = models.CharField("level after", max_length=12, blank=True)
    after_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    after_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["order", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "name"], name="function_once_a_job"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def was_lost(self) -> bool:
        """It worked before and does not now."""
        return self.before == FunctionResult.WORKS and self.after in {
            FunctionResult.FAULT,
            FunctionResult.NOT_FITTED,
        }


class ReadingKind(models.TextChoices):
    BATTERY_REST = "battery_rest", "Battery at rest"
    CHARGING = "charging", "Charging voltage"
    KEY_OFF = "key_off", "Key-off draw"
    AMPLIFIER_LOADED = "amplifier_loaded", "Voltage at the amplifier under load"
    SIGNAL = "signal", "Signal at an input"
    OUTPUT = "output", "Output voltage"
    OTHER = "other", "Other"


class Reading(models.Model):
    """A measured value before the work and after it, each with instrument, time and person.

    `about` is the plan id of what was measured, for a signal or an output of the level guide: a
    device for a signal, a channel or a device for an output.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="readings")
    kind = models.CharField(max_length=20, choices=ReadingKind)
    label = models.CharField(max_length=80)
    unit = models.CharField(max_length=10)
    about = models.CharField(max_length=20, blank=True, editable=False)
    order = models.PositiveSmallIntegerField(default=0)
    wanted_before = models.BooleanField(default=True)
    before_value = models.FloatField(null=True, blank=True)
    before_instrument = models.CharField(max_length=60, blank=True)
    before_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    before_at = models.DateTimeField(null=True, blank=True)
    after_value = models.FloatField(null=True, blank=True)
    after_instrument = models.CharField(max_length=60, blank=True)
    after_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    after_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["order", "pk"]

    def __str__(self) -> str:
        return self.label

    @property
    def of_whole_device(self) -> bool:
        """The output of a device, which is the highest of its channels in the level guide."""
        return self.kind == ReadingKind.OUTPUT and bool(self.about) and "." not in self.about


class FaultCodes(models.Model):
    """Fault codes of the car before the work and after it, a line each as they were read; empty
    while nobody read them."""

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="fault_codes")
    before_codes = models.TextField("fault codes before", max_length=8000, blank=True)
    before_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    before_at = models.DateTimeField(null=True, blank=True)
    after_codes = models.TextField("fault codes after", max_length=8000, blank=True)
    after_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    after_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        verbose_name = "fault codes"
        verbose_name_plural = "fault codes"

    def __str__(self) -> str:
        return f"Fault codes of {self.job}"


class PanelState(models.TextChoices):
    OFF = "", "Off"
    REFITTED = "refitted", "Refitted"
    REPLACED = "replaced", "Replaced"


class Panel(models.Model):
    """A panel taken off the car: how many clips it has, how many of them broke and were replaced,
    and whether it is back, or another one in its place."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="panels")
    name = models.CharField("panel", max_length=80)
    clips = models.PositiveSmallIntegerField(
        "clips and screws", null=True, blank=True, validators=[MaxValueValidator(200)]
    )
    clips_replaced = models.PositiveSmallIntegerField(
        "of them replaced", null=True, blank=True, validators=[MaxValueValidator(200)]
    )
    state = models.CharField("panel is", max_length=10, choices=PanelState, blank=True)
    note = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["job", "name"], name="panel_once_a_job")]

    def __str__(self) -> str:
        return self.name


class JobNote(models.Model):
    """A note on the bay sheet; notes are added, never changed."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="notes")
    text = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.text[:60]
