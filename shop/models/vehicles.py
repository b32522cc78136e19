"""What repeats (the vehicle model) and the one physical car."""

from typing import Any

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models.lookups import StartsWith
from django.utils.translation import gettext

from shop.typed import whole
from shop.wording import FACTORY_AMPLIFIER_DOES


class BodyShape(models.TextChoices):
    HATCHBACK = "hatchback", "Hatchback"
    SALOON = "saloon", "Saloon"
    ESTATE = "estate", "Estate"
    VAN = "van", "Van"
    PICKUP = "pickup", "Pickup"
    SUV = "suv", "SUV"


class Powertrain(models.TextChoices):
    FUEL = "fuel", "Fuel"
    HYBRID = "hybrid", "Hybrid (high voltage)"
    ELECTRIC = "electric", "Electric (high voltage)"


class VehicleModelQuerySet(models.QuerySet["VehicleModel"]):
    def matching(self, text: str) -> "VehicleModelQuerySet":
        """Models that hold every word in make, model, trim or package, or were made that year."""
        matching = self
        for word in text.split():
            wanted = (
                models.Q(make__icontains=word)
                | models.Q(model__icontains=word)
                | models.Q(trim__icontains=word)
                | models.Q(audio_package__icontains=word)
            )
            if year := whole(word, 1000, 9999):
                wanted |= models.Q(year_from__lte=year) & (
                    models.Q(year_to=None) | models.Q(year_to__gte=year)
                )
            matching = matching.filter(wanted)
        return matching

    def called(self, text: str) -> "VehicleModelQuerySet":
        """Models whose make and name hold every word, one of them with three letters at least;
        the year is left out, for it says nothing of one car."""
        words = [word for word in text.split() if whole(word, 1900, 2100) is None]
        if not any(sum(map(str.isalpha, word)) > 2 for word in words):
            return self.none()
        holds = [models.Q(make__icontains=word) | models.Q(model__icontains=word) for word in words]
        return self.filter(*holds)


class VehicleModel(models.Model):
    """Make, model, years, trim and factory audio package: what a saved setup is for."""

    make = models.CharField(max_length=40)
    model = models.CharField(max_length=40)
    year_from = models.PositiveSmallIntegerField(
        validators=[MinValueValidator(1900), MaxValueValidator(2100)]
    )
    year_to = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1900), MaxValueValidator(2100)]
    )
    trim = models.CharField(max_length=40, blank=True)
    audio_package = models.CharField("factory audio package", max_length=60, blank=True)
    body_shape = models.CharField(max_length=12, choices=BodyShape, default=BodyShape.HATCHBACK)
    powertrain = models.CharField(max_length=10, choices=Powertrain, default=Powertrain.FUEL)
    factory_amplifier = models.BooleanField(
        default=False,
        help_text=f"A separate factory amplifier does {FACTORY_AMPLIFIER_DOES}.",
    )
    reconnect = models.TextField("after the battery was off", max_length=4000, blank=True)
    note = models.TextField(blank=True)

    objects = VehicleModelQuerySet.as_manager()

    class Meta:
        ordering = ["make", "model", "-year_from", "trim"]
        constraints = [
            models.UniqueConstraint(
                fields=["make", "model", "year_from", "trim", "audio_package"],
                name="vehicle_model_once",
                violation_error_message="This model, year, trim and package is already listed.",
            ),
            models.CheckConstraint(
                condition=models.Q(year_to__isnull=True)
                | models.Q(year_to__gte=models.F("year_from")),
                name="vehicle_model_years_in_order",
                violation_error_message="The last year is before the first.",
            ),
        ]

    def __str__(self) -> str:
        return " ".join(filter(None, [self.make, self.model, self.years, self.trim]))

    @property
    def years(self) -> str:
        if self.year_to == self.year_from:
            return str(self.year_from)
        return f"{self.year_from}–{self.year_to or ''}"

    @property
    def factory_amplifier_words(self) -> str:
        """What a factory amplifier of the model does, or that there is none."""
        return (
            gettext("Yes: it does crossovers, EQ, chimes or prompts")
            if self.factory_amplifier
            else gettext("None")
        )

    @property
    def high_voltage(self) -> bool:
        return self.powertrain != Powertrain.FUEL


@models.CharField.register_lookup
class Begins(StartsWith):
    """Begins with a text of letters and digits as they are: what an index is good for. On SQLite
    `startswith` is LIKE, which takes small letters for capitals and so reads every row."""

    lookup_name = "begins"

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        return StartsWith(self.lhs, self.rhs).as_sql(compiler, connection)

    def as_sqlite(self, compiler: Any, connection: Any) -> tuple[str, list[Any]]:
        column, values = self.process_lhs(compiler, connection)
        return f"({column} >= %s AND {column} < %s)", [
            *values,
            self.rhs,
            *values,
            f"{self.rhs}{chr(0x10FFFF)}",
        ]


def plain_plate(plate: str) -> str:
    """The plate as letters and digits in upper case, for finding it however it was typed."""
    return "".join(character for character in plate.upper() if character.isalnum())


def vehicle_wanted(text: str, prefix: str = "") -> models.Q:
    """The vehicles whose plate begins with the text or whose VIN begins or ends with it;
    `prefix` is the lookup that leads to the vehicle."""
    plain = plain_plate(text)
    if not plain:
        return models.Q(pk__in=())
    return (
        models.Q((f"{prefix}plate_plain__begins", plain))
        | models.Q((f"{prefix}vin__begins", plain))
        | models.Q((f"{prefix}vin_reversed__begins", plain[::-1]))
    )


class VehicleQuerySet(models.QuerySet["Vehicle"]):
    def matching(self, text: str) -> "VehicleQuerySet":
        """Vehicles by start of the plate, or start or tail of the VIN."""
        return self.filter(vehicle_wanted(text))


class Vehicle(models.Model):
    """One physical car."""

    owner = models.ForeignKey("shop.Customer", models.PROTECT, related_name="vehicles")
    vehicle_model = models.ForeignKey(VehicleModel, models.PROTECT, related_name="vehicles")
    plate = models.CharField(max_length=16, blank=True)
    plate_plain = models.CharField(max_length=16, blank=True, editable=False, db_index=True)
    vin = models.CharField("VIN", max_length=17, blank=True, db_index=True)
    vin_reversed = models.CharField(max_length=17, blank=True, editable=False, db_index=True)
    vin_odd = models.BooleanField(
        default=False,
        editable=False,
        help_text="The check digit is wrong and the desk confirmed the VIN as read.",
    )
    year = models.PositiveSmallIntegerField(
        validators=[MinValueValidator(1900), MaxValueValidator(2100)]
    )
    colour = models.CharField(max_length=30, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = VehicleQuerySet.as_manager()

    class Meta:
        ordering = ["plate", "pk"]

    def __str__(self) -> str:
        return f"{self.plate or self.vin or 'No plate'} · {self.title}"

    @property
    def title(self) -> str:
        return f"{self.year} {self.vehicle_model.make} {self.vehicle_model.model}"

    def clean(self) -> None:
        self.plate = self.plate.strip().upper()
        self.plate_plain = plain_plate(self.plate)
        self.vin = plain_plate(self.vin)[:17]
        self.vin_reversed = self.vin[::-1]
