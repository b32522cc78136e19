"""Plugs of a vehicle model or a module: what sits in each cavity, and how that is known."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

MOST_ROWS = 6
MOST_COLUMNS = 30


class SeenFrom(models.TextChoices):
    WIRES = "wires", "Wire side"
    FACE = "face", "Mating side"


class PlugTable(models.Model):
    """One plug: its face as rows and columns of cavities, of a vehicle model or of a product."""

    vehicle_model = models.ForeignKey(
        "shop.VehicleModel", models.CASCADE, null=True, blank=True, related_name="plugs"
    )
    product = models.ForeignKey(
        "shop.Product", models.CASCADE, null=True, blank=True, related_name="plugs"
    )
    name = models.CharField("plug", max_length=40)
    rows = models.PositiveSmallIntegerField(
        "rows of pins",
        default=2,
        validators=[MinValueValidator(1), MaxValueValidator(MOST_ROWS)],
    )
    columns = models.PositiveSmallIntegerField(
        "pins in a row",
        default=8,
        validators=[MinValueValidator(1), MaxValueValidator(MOST_COLUMNS)],
    )
    seen_from = models.CharField(
        "drawn as seen from", max_length=8, choices=SeenFrom, default=SeenFrom.WIRES
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(vehicle_model__isnull=False, product__isnull=True)
                | models.Q(vehicle_model__isnull=True, product__isnull=False),
                name="plug_of_a_model_or_a_product",
            ),
            models.UniqueConstraint(
                fields=["vehicle_model", "name"],
                name="plug_once_a_model",
                violation_error_message="This model has a plug of that name already.",
            ),
            models.UniqueConstraint(
                fields=["product", "name"],
                name="plug_once_a_product",
                violation_error_message="This product has a plug of that name already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def owner(self) -> str:
        """The vehicle model or product it belongs to, in words."""
        return str(self.vehicle_model or self.product)


class Proof(models.TextChoices):
    PROVED = "proved", "Proved in a car"
    DOCUMENT = "document", "From a document"


class PlugCavity(models.Model):
    """What one cavity of a plug carries. Colours are IEC 60757 codes, base and stripe apart.

    `source` names the document, or says how it was proved.
    """

    table = models.ForeignKey(PlugTable, models.CASCADE, related_name="cavities")
    cavity = models.CharField(max_length=20)
    base = models.CharField("base colour", max_length=4, blank=True)
    stripe = models.CharField("stripe colour", max_length=4, blank=True)
    function = models.CharField(max_length=60, blank=True)
    proof = models.CharField("known", max_length=8, choices=Proof, default=Proof.DOCUMENT)
    source = models.CharField("from where", max_length=120, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["table", "cavity"], name="cavity_once_a_plug"),
        ]

    def __str__(self) -> str:
        return f"{self.table} {self.cavity}"
