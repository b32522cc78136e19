"""The shop's ordered steps for each kind of work, and the steps of one job."""

from django.conf import settings
from django.db import models

from jobs.models.bay_sheet import ReadingKind


class CautionKind(models.TextChoices):
    BATTERY = "battery", "Battery"
    AIRBAG = "airbag", "Airbags and belt tensioners"
    HIGH_VOLTAGE = "high_voltage", "High-voltage vehicle"
    DRILLING = "drilling", "Drilling and cutting"
    LIFTING = "lifting", "Lifting"
    HEARING = "hearing", "Hearing"


class Gate(models.TextChoices):
    """What must be true before a step may be ticked; `jobs.services.gates` evaluates it."""

    NONE = "", "Nothing: tick it when it is done"
    FIT_PROVED = "fit_proved", "The fit is proved"
    FUNCTIONS_BEFORE = "functions_before_done", "Every function is tried before the work"
    READINGS_BEFORE = "readings_before_done", "Every reading before the work is taken"
    POWER_PLAN = "power_plan_clear", "The power plan has no stop"
    CHANNEL_PLAN = "channel_plan_clear", "Channel plan and tuning have no stop"
    FUNCTIONS_AFTER = "functions_after_done", "Every function is tried after the work"
    CHECKS_AFTER = "checks_after_done", "Every function and reading after the work is done"
    ENTERED = "settings_entered", "Every setting is entered in its processor and read back"
    LOADS = "loads_measured", "The load of every amplifier channel in use is measured"


class WorkKindQuerySet(models.QuerySet["WorkKind"]):
    def in_use(self) -> "WorkKindQuerySet":
        return self.filter(active=True)


class WorkKind(models.Model):
    """A kind of job the shop does, with its own list of steps."""

    name = models.CharField(max_length=60, unique=True)
    note = models.CharField(max_length=200, blank=True)
    order = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)
    for_comebacks = models.BooleanField(default=False)

    objects = WorkKindQuerySet.as_manager()

    class Meta:
        ordering = ["order", "name"]

    def __str__(self) -> str:
        return self.name


class StepWords(models.Model):
    """What a step asks for, alike in a list and in a job."""

    order = models.PositiveSmallIntegerField(default=0, editable=False)
    text = models.CharField(max_length=200)
    cautions = models.JSONField(default=list, blank=True)
    photo_required = models.BooleanField("needs a photo", default=False)
    reading_label = models.CharField("reading to enter", max_length=80, blank=True)
    reading_unit = models.CharField("unit", max_length=10, blank=True)
    reading_kind = models.CharField(
        "the same as the reading", max_length=20, choices=ReadingKind, blank=True, default=""
    )
    gate = models.CharField(max_length=24, choices=Gate, blank=True, default=Gate.NONE)
    ticks_itself = models.BooleanField("ticked by itself once that is so", default=False)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return self.text


class StepTemplate(StepWords):
    """A step in the list of a kind of work. Jobs copy it: a change here changes no job."""

    kind = models.ForeignKey(WorkKind, models.CASCADE, related_name="steps")

    class Meta:
        ordering = ["order", "pk"]


class StepOutcome(models.TextChoices):
    TO_DO = "", "To do"
    DONE = "done", "Done"
    SKIPPED = "skipped", "Not needed"


class JobStep(StepWords):
    """A step of one job: done or not needed, by whom and when.

    `reason` says why the order was broken or why the step was not needed. `by_itself` is a tick
    that followed from an entry elsewhere, made by whoever made that entry.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="steps")
    outcome = models.CharField(max_length=8, choices=StepOutcome, blank=True, default="")
    outcome_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    outcome_at = models.DateTimeField(null=True, blank=True)
    by_itself = models.BooleanField(default=False, editable=False)
    out_of_order = models.BooleanField(default=False, editable=False)
    reading_value = models.FloatField("reading", null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        verbose_name = "step"
        ordering = ["order", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(outcome="skipped") | ~models.Q(reason=""),
                name="step_skipped_with_reason",
            ),
        ]

    @property
    def photo_subject(self) -> str:
        """The `subject` of photos that belong to this step."""
        return f"step:{self.pk}"
