"""The power plan: cables, fuses, battery and alternator."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from shop.models.products import Chemistry


class PowerRun(models.Model):
    """One length of cable between two nodes, with the fuse in it if there is one."""

    class Kind(models.TextChoices):
        FEED = "feed", "Feed"
        RETURN = "return", "Return"

    class Place(models.TextChoices):
        CABIN = "cabin", "Cabin"
        ENGINE_BAY = "engine_bay", "Engine bay"

    class Metal(models.TextChoices):
        COPPER = "copper", "Copper"
        CCA = "copper_clad_aluminium", "Copper-clad aluminium"

    class Stranding(models.TextChoices):
        FLEXIBLE = "flexible", "Flexible"
        STRANDED = "stranded", "Stranded"
        SOLID = "solid", "Solid"

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="runs")
    label = models.CharField(max_length=10, editable=False)
    kind = models.CharField(max_length=8, choices=Kind, default=Kind.FEED)
    from_node = models.CharField("from", max_length=40)
    to_node = models.CharField("to", max_length=40)
    size = models.CharField("conductor", max_length=12)
    metal = models.CharField(max_length=24, choices=Metal, default=Metal.COPPER)
    stranding = models.CharField(
        "strands", max_length=10, choices=Stranding, default=Stranding.FLEXIBLE
    )
    insulation_c = models.FloatField(
        "insulation class, °C",
        default=105.0,
        validators=[MinValueValidator(60), MaxValueValidator(200)],
    )
    length_m = models.FloatField(
        "length", validators=[MinValueValidator(0.01), MaxValueValidator(100)]
    )
    parallel = models.PositiveSmallIntegerField(
        "cables side by side",
        default=1,
        validators=[MinValueValidator(1), MaxValueValidator(8)],
    )
    place = models.CharField(max_length=12, choices=Place, default=Place.CABIN)
    bundled = models.PositiveSmallIntegerField(
        "loaded cables in the bundle",
        default=1,
        validators=[MinValueValidator(1), MaxValueValidator(60)],
    )
    connections = models.PositiveSmallIntegerField(default=2, validators=[MaxValueValidator(20)])
    sheathed = models.BooleanField("in conduit or sheath", default=False)
    fuse_rating_a = models.FloatField(
        "fuse, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    fuse_body = models.CharField("fuse type", max_length=30, blank=True)
    fuse_distance_m = models.FloatField(
        "fuse from source end",
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    far_fuse_rating_a = models.FloatField(
        "fuse at the far end, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    far_fuse_body = models.CharField(
        "body of the fuse at the far end", max_length=30, blank=True, default=""
    )
    far_fuse_distance_m = models.FloatField(
        "that fuse from the far end",
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    note = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "label"], name="run_label_once_a_job"),
        ]

    def __str__(self) -> str:
        return f"{self.label} {self.from_node} to {self.to_node}"


class SupplyFacts(models.Model):
    """What is known of the vehicle's battery and alternator."""

    class System(models.IntegerChoices):
        V12 = 12, "12 V"
        V24 = 24, "24 V"

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="supply")
    battery_ah = models.FloatField(
        "battery capacity, Ah",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(1000)],
    )
    system_v = models.PositiveSmallIntegerField(
        "vehicle's supply", choices=System, default=System.V12
    )
    reserve_min = models.FloatField(
        "battery reserve capacity, min",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(2000)],
    )
    factory_feed_fuse_a = models.FloatField(
        "fuse of the car's own supply wire, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    factory_feed_limit_a = models.FloatField(
        "the car's own supply wire gives at most, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    battery_chemistry = models.CharField(
        max_length=10, choices=Chemistry, default=Chemistry.FLOODED
    )
    internal_resistance_mohm = models.FloatField(
        "battery internal resistance, mΩ",
        default=6.0,
        validators=[MinValueValidator(0.1), MaxValueValidator(1000)],
    )
    alternator_a = models.FloatField(
        "alternator rated, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(1000)],
    )
    alternator_idle_a = models.FloatField(
        "alternator at idle, A",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(1000)],
    )
    base_load_a = models.FloatField(
        "the car's own load, A",
        default=35.0,
        validators=[MinValueValidator(0), MaxValueValidator(500)],
    )
    version = models.PositiveIntegerField(default=1, editable=False)

    def __str__(self) -> str:
        return f"Supply of {self.job}"
