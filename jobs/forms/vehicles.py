"""The form of one vehicle, with what can be said of its VIN."""

from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs.plan.document import VinReport, examine_vin
from shop.forms.base import ModelForm
from shop.models import Vehicle
from shop.models.vehicles import plain_plate
from shop.vin_origin import Origin, origin_of

MOST_VIN_CHARACTERS = 17
MOST_KNOWN = 5


class VehicleForm(ModelForm):
    """One car. A VIN that looks wrong is said so, and kept when the desk confirms it.

    So is a plate or VIN that is in the book already: `known` holds the cars that have it, and
    ticking `known_confirmed` keeps both.
    """

    vin = forms.CharField(
        label="VIN",
        required=False,
        max_length=40,
        widget=forms.TextInput(
            {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
        help_text="17 characters, from the windscreen, door post or papers.",
    )
    vin_confirmed = forms.BooleanField(required=False)

    class Meta:
        model = Vehicle
        fields = ["plate", "vin", "year", "colour", "note"]
        labels = {"year": "Model year"}
        widgets = {
            "plate": forms.TextInput(
                {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
            ),
            "year": forms.NumberInput({"inputmode": "numeric"}),
            "colour": forms.TextInput({"autocomplete": "off"}),
            "note": forms.Textarea({"rows": 2, "data-span": "all"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.report: VinReport | None = None
        self.known: list[Vehicle] = []
        if not self.is_bound and self.instance.vin:
            self.report = vin_report(self.instance.vin)
            self.initial.setdefault("vin_confirmed", self.instance.vin_odd)

    def clean_plate(self) -> str:
        plate: str = self.cleaned_data["plate"].strip().upper()
        return plate

    def _know(self, name: str, **lookup: str) -> None:
        """Look for other cars with a plate or VIN that was not theirs before."""
        others = known_vehicles(**lookup).exclude(pk=self.instance.pk)[:MOST_KNOWN]
        self.known += [other for other in others if other not in self.known]
        if others and self.data.get(self.add_prefix("known_confirmed")) != "on":
            called = self.fields[name].label or name
            self.add_error(
                name,
                f"This {called if name == 'vin' else called.lower()} is in the "
                "book already: use that vehicle, or say that this is another.",
            )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "vin" not in cleaned or "plate" not in cleaned:
            return cleaned
        plate = cleaned["plate"]
        plain = plain_plate(plate)
        if plain and plain != self.instance.plate_plain:
            self._know("plate", plate_plain=plain)
        if not cleaned["vin"].strip():
            if not plate:
                self.add_error(
                    "plate", gettext("Give the plate or the VIN, so the car is found again.")
                )
            cleaned["vin"] = ""
            self.instance.vin_odd = False
            return cleaned
        self.report = report = vin_report(cleaned["vin"])
        cleaned["vin"] = report.vin
        self.instance.vin_odd = report.needs_confirmation
        if len(report.vin) > MOST_VIN_CHARACTERS:
            self.add_error(
                "vin", gettext("A VIN has 17 characters: take out what does not belong to it.")
            )
        elif report.needs_confirmation and not cleaned.get("vin_confirmed"):
            self.add_error(
                "vin", gettext("Look at the VIN again: correct it, or confirm it as typed.")
            )
        if report.vin != self.instance.vin:
            self._know("vin", vin=report.vin)
        return cleaned

    @property
    def origin(self) -> Origin | None:
        """What the VIN suggests of where the car comes from."""
        return origin_of(self.report.vin) if self.report else None


def known_vehicles(**lookup: str) -> QuerySet[Vehicle]:
    """Cars in the book with this plate (`plate_plain`) or `vin`, with model and owner."""
    return Vehicle.objects.filter(**lookup).select_related("vehicle_model", "owner")


def vin_report(text: str) -> VinReport:
    """What can be said of a VIN today."""
    return examine_vin(text, latest_year=timezone.localdate().year + 1)
