"""The channel plan: speakers in their places and the sources that feed them."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from jobs import wording
from jobs.models.power import PowerRun
from shop.models.products import SpeakerKind, limits
from wiring.positions import POSITIONS

POSITION_CHOICES = [(position.id, position.label) for position in POSITIONS.values()]
JOINING_CHOICES = [
    ("single", "Single"),
    ("parallel", "Parallel"),
    ("series", "Series"),
    ("series_parallel", "Series-parallel"),
]


class JobSpeaker(models.Model):
    """A speaker at a position: one of the job's parts, or a factory speaker that stays.

    `passive` is a line as `wiring.filters.passive_text` reads it.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="speakers")
    part = models.ForeignKey(
        "jobs.JobPart", models.CASCADE, null=True, blank=True, related_name="speakers"
    )
    label = models.CharField(max_length=10, editable=False)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=12, choices=SpeakerKind)
    position = models.CharField(max_length=30, choices=POSITION_CHOICES)
    impedance_ohm = models.FloatField(
        "impedance of one coil, Ω", validators=limits("impedance_ohm")
    )
    coils = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(2)]
    )
    coil_joining = models.CharField(max_length=16, choices=JOINING_CHOICES, default="single")
    power_w = models.FloatField(
        "continuous power, W", null=True, blank=True, validators=limits("power_w")
    )
    min_high_pass_hz = models.FloatField(
        "lowest safe high-pass, Hz", null=True, blank=True, validators=limits("min_high_pass_hz")
    )
    min_high_pass_order = models.PositiveSmallIntegerField(
        default=2, validators=limits("min_high_pass_order")
    )
    max_low_pass_hz = models.FloatField(
        "highest useful low-pass, Hz", null=True, blank=True, validators=limits("max_low_pass_hz")
    )
    box_limit_hz = models.FloatField(
        "vented box tuned to, Hz", null=True, blank=True, validators=limits("box_limit_hz")
    )
    passive = models.CharField("passive parts before it", max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "label"], name="speaker_label_once_a_job"),
        ]

    def __str__(self) -> str:
        return f"{self.label} {wording.speaker(self.kind, self.position)}"

    @property
    def factory(self) -> bool:
        return self.part_id is None


class Channel(models.Model):
    """An amplifier channel or a line output of one of the job's parts."""

    class Kind(models.TextChoices):
        AMPLIFIER = "amplifier", "Amplifier channel"
        LINE = "line", "Line output"

    class PolarityBy(models.TextChoices):
        PULSE = "pulse", "Battery pulse"
        SIGNAL = "signal", "Signal and meter"
        EAR = "ear", "By ear"
        RECORDED = "recorded", "Recording"

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="channels")
    part = models.ForeignKey("jobs.JobPart", models.CASCADE, related_name="channels")
    kind = models.CharField(max_length=10, choices=Kind)
    number = models.PositiveSmallIntegerField()
    speakers = models.ManyToManyField(JobSpeaker, related_name="channels", blank=True)
    joining = models.CharField(max_length=16, choices=JOINING_CHOICES, default="single")
    bridged_with = models.PositiveSmallIntegerField(null=True, blank=True)
    feeds_part = models.ForeignKey(
        "jobs.JobPart", models.SET_NULL, null=True, blank=True, related_name="fed_by"
    )
    feeds_input = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(32)]
    )
    connector = models.CharField(max_length=40, blank=True)
    positive_cavity = models.CharField(max_length=20, blank=True)
    positive_base = models.CharField(max_length=4, blank=True)
    positive_stripe = models.CharField(max_length=4, blank=True)
    negative_cavity = models.CharField(max_length=20, blank=True)
    negative_base = models.CharField(max_length=4, blank=True)
    negative_stripe = models.CharField(max_length=4, blank=True)
    polarity_proved = models.BooleanField(null=True, blank=True)
    polarity_by = models.CharField(
        "polarity proved by", max_length=8, choices=PolarityBy, blank=True, default=""
    )
    cable_size = models.CharField("speaker cable", max_length=12, blank=True, default="")
    cable_length_m = models.FloatField(
        "speaker cable's length",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.01), MaxValueValidator(100)],
    )
    cable_metal = models.CharField(
        "speaker cable's metal",
        max_length=24,
        choices=PowerRun.Metal,
        default=PowerRun.Metal.COPPER,
    )
    cable_insulation_c = models.FloatField(
        "speaker cable's insulation class, °C",
        default=60.0,
        validators=[MinValueValidator(60), MaxValueValidator(200)],
    )
    cable_fuse_a = models.FloatField(
        "fuse in the speaker cable, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    measured_load_ohm = models.FloatField(
        "measured load, Ω",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.01), MaxValueValidator(1000)],
    )
    stated_load_ohm = models.FloatField(
        "load stated for the set, Ω",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    output_limit_v = models.FloatField(
        "output held to, V",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.01), MaxValueValidator(400)],
    )
    note = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["part", "kind", "number"]
        constraints = [
            models.UniqueConstraint(fields=["part", "kind", "number"], name="channel_once_a_part"),
        ]

    def __str__(self) -> str:
        return self.plan_id

    @property
    def plan_id(self) -> str:
        """The channel's id in the plan: A1.3 for an amplifier channel, A1.L2 for a line output."""
        return wording.mark(self.part.label, self.kind, self.number)
