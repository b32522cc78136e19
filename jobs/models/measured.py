"""What is heard and measured: seats and distances, measured responses, targets, factory outputs."""

from pathlib import PurePath

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

DEFAULT_AIR_C = 20.0
DEFAULT_SMOOTHING = 6
SMOOTHING_CHOICES = [(one, f"1/{one} octave") for one in (1, 2, 3, 6, 12, 24, 48)]


def _range(low: float, high: float) -> list[MinValueValidator | MaxValueValidator]:
    return [MinValueValidator(low), MaxValueValidator(high)]


class TuningFacts(models.Model):
    """What one job's tuning takes for granted: air, test tone, the curve that is aimed at."""

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="tuning_facts")
    air_c = models.FloatField(
        "air in the car, °C", default=DEFAULT_AIR_C, validators=_range(-40, 60)
    )
    overlap_db = models.FloatField(
        "extra gain for quiet tracks, dB", default=10.0, validators=_range(0, 20)
    )
    tone_dbfs = models.FloatField(
        "test tone, dBFS", null=True, blank=True, validators=_range(-60, 0)
    )
    target = models.CharField("target curve", max_length=60, default="Flat")
    smoothing = models.PositiveSmallIntegerField(
        choices=SMOOTHING_CHOICES, default=DEFAULT_SMOOTHING
    )
    version = models.PositiveIntegerField(default=1, editable=False)

    def __str__(self) -> str:
        return "Tuning"


class SeatPlace(models.TextChoices):
    FRONT_LEFT = "front_left", "Front left seat"
    FRONT_RIGHT = "front_right", "Front right seat"
    SECOND_LEFT = "second_left", "Second row left"
    SECOND_CENTRE = "second_centre", "Second row centre"
    SECOND_RIGHT = "second_right", "Second row right"
    THIRD_LEFT = "third_left", "Third row left"
    THIRD_RIGHT = "third_right", "Third row right"


class ListeningSeat(models.Model):
    """A seat the delays are set for, and how much it counts beside the others."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="seats")
    place = models.CharField(max_length=16, choices=SeatPlace)
    weight = models.FloatField("counts", default=1.0, validators=_range(0, 10))
    used = models.BooleanField("listened from", default=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "place"], name="seat_once_a_job"),
        ]

    def __str__(self) -> str:
        return self.get_place_display()


class SeatDistance(models.Model):
    """Tape-measured way from a speaker to the ears of somebody in a seat."""

    seat = models.ForeignKey(ListeningSeat, models.CASCADE, related_name="distances")
    speaker = models.ForeignKey("jobs.JobSpeaker", models.CASCADE, related_name="distances")
    distance_m = models.FloatField("distance", null=True, blank=True, validators=_range(0, 10))
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["seat", "speaker"], name="distance_once_a_seat"),
        ]

    def __str__(self) -> str:
        return f"{self.speaker.label} to {self.seat}"


class MeasuredPhase(models.TextChoices):
    BEFORE = "before", "Before"
    AFTER = "after", "After"


class Microphone(models.Model):
    """A measuring microphone of the shop and its calibration: `text` as its maker gave it, points
    as (Hz, dB it shows too much), rising in frequency."""

    name = models.CharField(max_length=60, unique=True)
    serial = models.CharField("serial number", max_length=60, blank=True)
    text = models.TextField("calibration", blank=True)
    points = models.JSONField(default=list, blank=True)
    in_use = models.BooleanField("offered on jobs", default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.name}, {self.serial}" if self.serial else self.name


def recording_path(recording: "Recording", name: str) -> str:
    """Where a recording is kept: by job, under the key its client made."""
    return f"recordings/{recording.job_id}/{recording.key}{PurePath(name).suffix}"


class Recording(models.Model):
    """What a microphone heard of a test signal, and what the sums said of it.

    `order` says what was playing, one after another: "all", "left", "right" or a channel's plan
    id. `spec` is the signal (wiring.measure.SignalSpec), so that the sums can be repeated from the
    file. `taken_with` are the settings in force, by plan id. `results` has one entry for each that
    was heard, `polarity` the verdict on each channel with what it rests on
    (jobs.plan.polarity.Judged), `places` which channels of the source were heard at a channel
    (jobs.plan.place_heard.PlacesHeard), `pairs` how loud both sides of a pair are, `meets` what
    speakers add up to where they share a band (jobs.plan.together). `key` is made by the client, so
    that sending it twice keeps it once.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="recordings")
    phase = models.CharField("taken", max_length=8, choices=MeasuredPhase)
    order = models.JSONField("playing, one after another")
    place = models.CharField("microphone at", max_length=60)
    spec = models.JSONField("signal")
    microphone = models.ForeignKey(Microphone, models.PROTECT, null=True, related_name="recordings")
    file = models.FileField(upload_to=recording_path, max_length=160)
    sample_rate_hz = models.FloatField()
    seconds = models.FloatField()
    device = models.CharField("heard with", max_length=200, blank=True)
    drift_ppm = models.FloatField(null=True)
    results = models.JSONField(default=list)
    taken_with = models.JSONField(default=dict)
    polarity = models.JSONField(default=dict)
    places = models.JSONField(default=dict)
    pairs = models.JSONField(default=list)
    meets = models.JSONField(default=list)
    faults = models.JSONField(default=list)
    key = models.CharField(max_length=64, unique=True, editable=False)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"Recording {self.pk}, {self.place}"

    @property
    def kept_as(self) -> str:
        """The name of its file where it leaves the job."""
        return f"{self.job}-recording-{self.pk}.flac"


class MeasuredResponse(models.Model):
    """A measured response: uploaded, with its text and its points or what is wrong with it, or
    worked out from a recording.

    `playing` is "all", "left", "right" or a channel's plan id. `taken_with` are the settings in
    force when it was taken, by plan id. One that does not count is kept but not averaged.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="measured")
    phase = models.CharField("taken", max_length=8, choices=MeasuredPhase)
    playing = models.CharField(max_length=16, default="all")
    place = models.CharField("microphone at", max_length=60)
    file_name = models.CharField("file", max_length=200)
    text = models.TextField()
    points = models.JSONField(default=list, blank=True)
    problems = models.JSONField(default=list, blank=True)
    notes = models.JSONField(default=list, blank=True)
    taken_with = models.JSONField(default=dict, blank=True)
    counts = models.BooleanField("counts in the average", default=True)
    recording = models.ForeignKey(
        Recording, models.CASCADE, null=True, related_name="responses", editable=False
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.file_name}, {self.place}"

    @property
    def place_key(self) -> str:
        """The same for all takes of one place."""
        return self.place.lower()


class ShopTarget(models.Model):
    """A target curve kept by the shop: (Hz, dB) points, rising in frequency."""

    name = models.CharField(max_length=60, unique=True)
    points = models.JSONField()
    note = models.CharField(max_length=200, blank=True)
    offered = models.BooleanField("offered on jobs", default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class ProposalLimits(models.Model):
    """What a proposal of equaliser sections may do in this shop: one row."""

    count = models.PositiveSmallIntegerField(
        "sections a channel at most", default=10, validators=_range(1, 64)
    )
    cut_db = models.FloatField("cut at most, dB", default=12.0, validators=_range(1, 30))
    boost_db = models.FloatField("boost at most, dB", default=4.0, validators=_range(0, 12))
    q_low = models.FloatField("lowest Q", default=0.5, validators=_range(0.1, 5))
    q_high = models.FloatField("highest Q", default=8.0, validators=_range(0.5, 30))

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(q_low__lt=models.F("q_high")),
                name="limits_q_in_order",
                violation_error_message="The lowest Q must be less than the highest.",
            )
        ]

    def __str__(self) -> str:
        return "Limits of a proposal"

    @classmethod
    def current(cls) -> "ProposalLimits":
        """The shop's limits; the defaults when it set none."""
        return cls.objects.filter(pk=1).first() or cls(pk=1)


class OutputSide(models.TextChoices):
    LEFT = "left", "Left"
    RIGHT = "right", "Right"
    BOTH = "both", "Both"


class FactoryOutput(models.Model):
    """One measured output of the factory amplifier: where it was taken, and its level by band."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="factory_outputs")
    name = models.CharField("output", max_length=60)
    side = models.CharField(max_length=8, choices=OutputSide)
    plug = models.CharField("plug and pins", max_length=80, blank=True)
    points = models.JSONField(default=list, blank=True)
    file_name = models.CharField("file", max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "name"], name="factory_output_once_a_job"),
        ]

    def __str__(self) -> str:
        return self.name


class FactorySum(models.Model):
    """Two factory outputs measured together, the same way as each alone."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="factory_sums")
    first = models.ForeignKey(FactoryOutput, models.CASCADE, related_name="+")
    second = models.ForeignKey(FactoryOutput, models.CASCADE, related_name="+")
    points = models.JSONField(default=list, blank=True)
    file_name = models.CharField("file", max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "first", "second"], name="factory_sum_once"),
        ]

    def __str__(self) -> str:
        return f"{self.first} with {self.second}"
