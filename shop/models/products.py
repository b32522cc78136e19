"""The catalogue: what the shop fits, with the figures the sums need."""

import re
from functools import lru_cache
from typing import Any, Final

from django.core.validators import BaseValidator, MaxValueValidator, MinValueValidator
from django.db import models

from shop.kept_words import told
from shop.typed import whole
from shop.wording import quantity


class ProductKind(models.TextChoices):
    AMPLIFIER = "amplifier", "Amplifier"
    PROCESSOR = "processor", "Processor"
    INTERFACE = "interface", "Interface module"
    SPEAKER = "speaker", "Speaker"
    SUBWOOFER = "subwoofer", "Subwoofer"
    CABLE = "cable", "Cable"
    FUSE = "fuse", "Fuse or holder"
    BATTERY = "battery", "Second battery"
    CAPACITOR = "capacitor", "Capacitor"
    ISOLATOR = "isolator", "Battery isolator"
    CONVERTER = "converter", "Voltage converter"
    OTHER = "other", "Other"


SOURCE_KINDS = frozenset({ProductKind.AMPLIFIER, ProductKind.PROCESSOR, ProductKind.INTERFACE})
SUPPLY_KINDS = frozenset(
    {
        ProductKind.BATTERY,
        ProductKind.CAPACITOR,
        ProductKind.ISOLATOR,
        ProductKind.CONVERTER,
    }
)
"""Parts of the power path that play nothing: runs begin and end at them."""
SPEAKER_KINDS = frozenset({ProductKind.SPEAKER, ProductKind.SUBWOOFER})


MOUNTED_KINDS = frozenset(
    {*SOURCE_KINDS, *SUPPLY_KINDS, ProductKind.SPEAKER, ProductKind.SUBWOOFER}
)
"""What is fixed to the car."""


class SpeakerKind(models.TextChoices):
    TWEETER = "tweeter", "Tweeter"
    MIDRANGE = "midrange", "Midrange"
    MIDBASS = "midbass", "Midbass"
    WOOFER = "woofer", "Woofer"
    COAXIAL = "coaxial", "Coaxial"
    FULL_RANGE = "full_range", "Full range"
    SUBWOOFER = "subwoofer", "Subwoofer"


class AmplifierClass(models.TextChoices):
    A = "A"
    AB = "AB"
    B = "B"
    D = "D"
    G = "G"
    H = "H"


class Chemistry(models.TextChoices):
    FLOODED = "flooded", "Flooded lead-acid"
    AGM = "agm", "AGM"
    EFB = "efb", "Enhanced flooded"
    LITHIUM = "lithium", "Lithium"


class TurnOn(models.TextChoices):
    REMOTE_WIRE = "remote_wire", "Remote wire"
    INTERFACE_MODULE = "interface_module", "Interface module"
    SIGNAL_SENSE = "signal_sense", "Signal sensing"
    IGNITION_FEED = "ignition_feed", "Ignition feed"
    NOT_NEEDED = "not_needed", "Not needed"


class InputFrom(models.TextChoices):
    FACTORY_LINE = "factory_line", "A line output of the car"
    FACTORY_SPEAKER = "factory_speaker", "The car's speaker wires"
    DIGITAL = "digital", "A digital line"


class DelayUnit(models.TextChoices):
    MS = "ms", "Milliseconds"
    SAMPLES = "samples", "Samples"
    CM = "cm", "Centimetres"
    INCHES = "in", "Inches"


class WidthCounted(models.TextChoices):
    Q = "q", "Q"
    OCTAVES = "octaves", "Octaves"
    POLE_Q = "pole_q", "Q of the resonance itself"


class TypedBy(models.TextChoices):
    CHANNEL = "channel", "Channel by channel"
    SETTING = "setting", "Setting by setting"


def _typed(name: str, help_text: str) -> "models.Field[str, str]":
    """A line that says what a program takes; `shop.program_limits` reads it."""
    return models.CharField(name, max_length=1000, blank=True, default="", help_text=help_text)


_RANGE_HELP = "Such as %s."
LIMIT_BOUNDS: Final = {
    "level_steps": (-120.0, 30.0),
    "delay_steps": (0.0, 100_000.0),
    "crossover_steps": (1.0, 40_000.0),
    "section_steps": (1.0, 40_000.0),
    "section_gain_steps": (-60.0, 30.0),
    "section_width_steps": (0.01, 100.0),
}
"""Between which numbers what a program takes can be true, in the unit of its line."""
LIMIT_FIELDS: Final = (
    "typed_by",
    "level_steps",
    "delay_unit",
    "delay_steps",
    "delay_speed_m_s",
    "crossover_steps",
    "crossover_slopes",
    "section_steps",
    "section_gain_steps",
    "width_counted",
    "section_width_steps",
    "section_kinds",
)
"""What a processor's own program takes: limits of what can be typed, and how it counts."""


def _inputs(name: str) -> "models.Field[int | None, int | None]":
    """How many inputs of a kind; empty where nobody looked, 0 where there is none."""
    return models.PositiveSmallIntegerField(
        name, null=True, blank=True, validators=[MaxValueValidator(32)]
    )


def _figure(
    name: str, low: float, high: float, help_text: str = ""
) -> "models.Field[float | None, float | None]":
    """An optional figure with the range in which it can be true."""
    return models.FloatField(
        name,
        null=True,
        blank=True,
        help_text=help_text,
        validators=[MinValueValidator(low), MaxValueValidator(high)],
    )


@lru_cache(maxsize=256)
def pairs_in(text: str) -> tuple[tuple[int, int], ...]:
    """Channel pairs written as "1+2, 3+4"; anything unreadable is left out."""
    pairs = []
    for pair in text.replace(";", ",").split(","):
        low, plus, high = pair.strip().partition("+")
        ends = whole(low), whole(high)
        if plus and ends[0] is not None and ends[1] is not None:
            pairs.append((ends[0], ends[1]))
    return tuple(pairs)


_RATING: Final = re.compile(r"\d{1,4}(?:\.\d{1,2})?", re.ASCII)


@lru_cache(maxsize=256)
def fuses_in(text: str) -> tuple[float, ...]:
    """Ratings [A] written as "30 + 30"; anything unreadable is left out."""
    ratings = (float(one) for one in _RATING.findall(text))
    return tuple(rating for rating in ratings if 0 < rating <= 1000)


def _not_given(name: str) -> models.Q:
    """Whether a figure is empty, whatever kind of column it is in."""
    field = Product._meta.get_field(name)
    if isinstance(field, models.CharField):
        return models.Q((name, ""))
    return models.Q((name, 0)) if not field.null else models.Q((name, None))


class ProductQuerySet(models.QuerySet["Product"]):
    def offered(self) -> "ProductQuerySet":
        return self.filter(discontinued=False)

    def lacking(self) -> "ProductQuerySet":
        """Products without a figure that the sums need for their kind."""
        wanted = models.Q(pk__in=())
        for kind, names in REQUIRED_FIGURES.items():
            for name in names:
                wanted |= models.Q(kind=kind) & _not_given(name)
        wanted |= models.Q(speaker_kind__in=SAFE_HIGH_PASS_KINDS, min_high_pass_hz=None)
        rated = ProductRating.objects.filter(product=models.OuterRef("pk"))
        wanted |= models.Q(~models.Exists(rated), kind=ProductKind.AMPLIFIER)
        return self.filter(wanted)

    def matching(self, text: str) -> "ProductQuerySet":
        products = self
        for word in text.split():
            products = products.filter(
                models.Q(maker__icontains=word)
                | models.Q(name__icontains=word)
                | models.Q(part_number__icontains=word)
            )
        return products


class Product(models.Model):
    """A catalogue entry. Which figures count depends on the kind; see `required_figures`."""

    kind = models.CharField(max_length=12, choices=ProductKind)
    maker = models.CharField(max_length=60)
    name = models.CharField(max_length=80)
    part_number = models.CharField(max_length=60, blank=True)
    price = models.DecimalField(
        max_digits=9,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text="What the customer pays.",
    )
    tax_rate = models.ForeignKey(
        "shop.TaxRate", models.PROTECT, null=True, blank=True, related_name="+", verbose_name="tax"
    )
    cost = models.DecimalField(
        max_digits=9,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text="What the shop pays. Managers alone see it.",
    )
    note = models.TextField(blank=True)
    discontinued = models.BooleanField(default=False)

    amplifier_channels = models.PositiveSmallIntegerField(
        default=0, validators=[MaxValueValidator(32)]
    )
    line_outputs = models.PositiveSmallIntegerField(default=0, validators=[MaxValueValidator(32)])
    line_inputs = models.PositiveSmallIntegerField(default=0, validators=[MaxValueValidator(32)])
    speaker_inputs = _inputs("speaker-level inputs")
    optical_inputs = _inputs("optical inputs")
    coaxial_inputs = _inputs("coaxial digital inputs")
    network_inputs = _inputs("network audio inputs")
    amplifier_class = models.CharField(max_length=2, choices=AmplifierClass, blank=True)
    efficiency = _figure("efficiency at full output, 0–1", 0.05, 1.0)
    min_load_ohm = _figure("least load per channel, Ω", 0.1, 100)
    min_load_bridged_ohm = _figure("least load bridged, Ω", 0.1, 100)
    bridgeable = models.CharField(
        max_length=60, blank=True, help_text="Channel pairs that bridge, such as 1+2, 3+4."
    )
    idle_current_a = _figure("idle current, A", 0, 100)
    min_supply_v = _figure("shuts down below, V", 1, 60)
    rated_supply_v = _figure("rated at supply, V", 1, 60)
    turn_on = models.CharField(max_length=20, choices=TurnOn, default=TurnOn.NOT_NEEDED)
    max_supply_v = _figure("takes a supply of at most, V", 1, 60)
    output_v = _figure("gives, V", 1, 60)
    rated_current_a = _figure("made for at most, A", 0.1, 5000)
    battery_chemistry = models.CharField(
        "battery kind", max_length=10, choices=Chemistry, blank=True, default=""
    )
    built_in_fuses = models.CharField(
        "fuses in its case, A",
        max_length=60,
        blank=True,
        default="",
        help_text="Such as 40 or 30 + 30.",
    )
    output_protected = models.BooleanField(
        "saves itself from a short at its outputs", null=True, blank=True
    )
    trigger_outputs = models.PositiveSmallIntegerField(
        "remote output wakes at most, devices",
        null=True,
        blank=True,
        validators=[MaxValueValidator(32)],
    )
    trigger_output_a = _figure("remote output gives at most, A", 0.001, 50)
    trigger_input_a = _figure("remote input takes, A", 0.0001, 10)
    turns_on_others = models.BooleanField(
        default=False, help_text="Can wake the amplifiers, so they need no remote wire."
    )
    sample_rate_hz = _figure("sample rate, Hz", 8000, 384_000)
    delay_step_ms = _figure("delay step, ms", 0.0001, 10)
    max_sections = models.PositiveSmallIntegerField(
        "EQ sections per channel", null=True, blank=True, validators=[MaxValueValidator(64)]
    )
    typed_by = models.CharField(
        "settings are typed", max_length=8, choices=TypedBy, blank=True, default=""
    )
    level_steps = _typed("levels it takes, dB", _RANGE_HELP % "-60 to 6 step 0.5")
    delay_unit = models.CharField(
        "delay counted in", max_length=8, choices=DelayUnit, blank=True, default=""
    )
    delay_steps = _typed("delays it takes", _RANGE_HELP % "0 to 15 step 0.01, in its own unit")
    delay_speed_m_s = _figure(
        "its speed of sound, m/s", 300, 400, "Where it counts delay as a length."
    )
    crossover_steps = _typed(
        "crossover frequencies it takes, Hz", _RANGE_HELP % "20 to 20000 step 1"
    )
    crossover_slopes = _typed(
        "crossover filters it has, dB/oct",
        _RANGE_HELP % "Butterworth 12 18 24; Linkwitz-Riley 12 24",
    )
    section_steps = _typed("EQ frequencies it takes, Hz", _RANGE_HELP % "20 to 20000 step 1")
    section_gain_steps = _typed("EQ gains it takes, dB", _RANGE_HELP % "-15 to 6 step 0.5")
    width_counted = models.CharField(
        "EQ width counted as", max_length=8, choices=WidthCounted, blank=True, default=""
    )
    section_width_steps = _typed("EQ widths it takes", _RANGE_HELP % "0.4 to 12 step 0.1")
    section_kinds = _typed("EQ section kinds it has", _RANGE_HELP % "peak, low shelf, high shelf")
    line_output_v = _figure("line output at most, V", 0.01, 50)
    input_sensitivity_min_v = _figure("input sensitivity from, V", 0.01, 50)
    input_sensitivity_max_v = _figure("input sensitivity to, V", 0.01, 50)
    input_max_v = _figure("input takes at most, V", 0.01, 100)

    speaker_kind = models.CharField(max_length=12, choices=SpeakerKind, blank=True)
    impedance_ohm = _figure("impedance of one coil, Ω", 0.1, 100)
    coils = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(2)]
    )
    power_w = _figure("continuous power rating, W", 0.1, 20_000)
    min_high_pass_hz = _figure("lowest safe high-pass, Hz", 1, 20_000)
    min_high_pass_order = models.PositiveSmallIntegerField(
        default=2, validators=[MinValueValidator(1), MaxValueValidator(8)]
    )
    max_low_pass_hz = _figure("highest useful low-pass, Hz", 10, 40_000)
    box_limit_hz = _figure("vented box tuned to, Hz", 5, 200)

    cable_size = models.CharField(max_length=12, blank=True, help_text="4 AWG or 25 mm2.")
    cable_metal = models.CharField(
        max_length=24,
        blank=True,
        choices=[("copper", "Copper"), ("copper_clad_aluminium", "Copper-clad aluminium")],
    )
    insulation_c = _figure("insulation class, °C", 40, 250)
    fuse_body = models.CharField(max_length=30, blank=True)
    fuse_rating_a = _figure("fuse rating, A", 0.1, 1000)

    objects = ProductQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "maker", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["maker", "name", "part_number"],
                name="product_once",
                violation_error_message="This product is already in the catalogue.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.maker} {self.name}"

    @property
    def is_unit(self) -> bool:
        """Whether each piece stands as a row of its own: a device of the plan."""
        return self.kind in SOURCE_KINDS | SUPPLY_KINDS

    @property
    def holds_data(self) -> bool:
        """Whether a file, a profile or options are put into it: a module, a processor, or an
        amplifier that has one inside."""
        own = self.kind in {ProductKind.INTERFACE, ProductKind.PROCESSOR}
        inside = self.max_sections is not None or self.sample_rate_hz is not None
        inside = inside or self.has_limits
        return own or (self.kind == ProductKind.AMPLIFIER and inside)

    @property
    def has_limits(self) -> bool:
        """Whether anything is on record of what its own program takes."""
        return any(getattr(self, name) not in (None, "") for name in LIMIT_FIELDS)

    @property
    def is_speaker(self) -> bool:
        return self.kind in SPEAKER_KINDS

    @property
    def digital_inputs(self) -> int | None:
        """How many digital inputs of any kind; None while a kind is not on record and no other
        has one."""
        counts = (self.optical_inputs, self.coaxial_inputs, self.network_inputs)
        known = sum(count or 0 for count in counts)
        return None if not known and None in counts else known

    @property
    def digital_input_names(self) -> tuple[str, ...]:
        """Each digital input on record by kind and number: "optical 2"."""
        counts = (
            ("optical", self.optical_inputs),
            ("coaxial", self.coaxial_inputs),
            ("network", self.network_inputs),
        )
        return tuple(
            f"{kind} {number}" for kind, count in counts for number in range(1, (count or 0) + 1)
        )

    def has_digital_input(self, name: str) -> bool:
        """Whether it has that one, as far as its record says: a kind nobody counted may be."""
        kind = name.partition(" ")[0]
        return getattr(self, f"{kind}_inputs", 0) is None or name in self.digital_input_names

    @property
    def bridge_pairs(self) -> tuple[tuple[int, int], ...]:
        return pairs_in(self.bridgeable)

    @property
    def required_figures(self) -> tuple[str, ...]:
        """Names of the figures the sums need for this product."""
        names = REQUIRED_FIGURES.get(ProductKind(self.kind), ())
        if self.speaker_kind in SAFE_HIGH_PASS_KINDS:
            names = (*names, "min_high_pass_hz")
        return names

    @property
    def missing_figures(self) -> list[str]:
        """Labels of the figures the sums need and do not have; reads the ratings."""
        return self.missing_with(self.kind != ProductKind.AMPLIFIER or bool(self.ratings.all()))

    @property
    def missing_said(self) -> str:
        """The same in one line, as it is said now."""
        return "; ".join(map(told, self.missing_figures))

    def missing_with(self, rated: bool) -> list[str]:
        """The same, told whether the product has rated powers."""
        missing = [
            str(getattr(self._meta.get_field(name), "verbose_name", name))
            for name in self.required_figures
            if getattr(self, name) in (None, "", 0)
        ]
        if self.kind == ProductKind.AMPLIFIER and not rated:
            missing.append("rated power")
        return missing


SAFE_HIGH_PASS_KINDS = (SpeakerKind.TWEETER, SpeakerKind.MIDRANGE)
"""Speakers that are damaged by low frequencies: their safe high-pass must be known."""

REQUIRED_FIGURES: dict[ProductKind, tuple[str, ...]] = {
    ProductKind.AMPLIFIER: ("amplifier_channels", "efficiency", "min_load_ohm", "min_supply_v"),
    ProductKind.PROCESSOR: ("line_outputs",),
    ProductKind.SPEAKER: ("speaker_kind", "impedance_ohm", "power_w"),
    ProductKind.SUBWOOFER: ("impedance_ohm", "power_w"),
    ProductKind.CABLE: ("cable_size", "cable_metal", "insulation_c"),
    ProductKind.FUSE: ("fuse_body", "fuse_rating_a"),
    ProductKind.BATTERY: ("battery_chemistry",),
    ProductKind.ISOLATOR: ("rated_current_a",),
    ProductKind.CONVERTER: ("output_v", "rated_current_a"),
}


def limits(name: str) -> list[Any]:
    """The limits of a figure of the catalogue, for a row that keeps its own copy of it."""
    figure = Product._meta.get_field(name)
    assert isinstance(figure, models.Field)
    return [one for one in figure.validators if isinstance(one, BaseValidator)]


class ProductRating(models.Model):
    """Rated power of one channel (or bridged pair) into one load."""

    product = models.ForeignKey(Product, models.CASCADE, related_name="ratings")
    load_ohm = models.FloatField("load, Ω", validators=limits("min_load_ohm"))
    power_w = models.FloatField("power, W", validators=limits("power_w"))
    bridged = models.BooleanField(default=False)

    class Meta:
        ordering = ["bridged", "-load_ohm"]
        constraints = [
            models.UniqueConstraint(
                fields=["product", "load_ohm", "bridged"], name="product_rating_once"
            )
        ]

    def __str__(self) -> str:
        return (
            f"{quantity(self.power_w, 'W')} into {quantity(self.load_ohm, 'Ω')}"
            f"{' bridged' if self.bridged else ''}"
        )
