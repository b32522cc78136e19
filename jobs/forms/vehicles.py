"""The form of one vehicle, with what can be said of its VIN."""

from typing import Any

from django import forms
from django.utils import timezone

from jobs.wiring_adapter import VinReport, examine_vin
from shop.models import Vehicle
from shop.models.vehicles import plain_plate

MOST_VIN_CHARACTERS = 17


class VehicleForm(forms.ModelForm):  # type: ignore[type-arg]
    """One car. A VIN that looks wrong is said so, and kept when the desk confirms it."""

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
        if not self.is_bound and self.instance.vin:
            self.report = vin_report(self.instance.vin)
            self.initial.setdefault("vin_confirmed", self.instance.vin_odd)

    def clean_plate(self) -> str:
        plate: str = self.cleaned_data["plate"].strip().upper()
        plain = plain_plate(plate)
        other = self._other(plate_plain=plain) if plain else None
        if other is not None:
            raise forms.ValidationError(
                f"This plate is in the book already: {other}. Choose that vehicle; if the plate "
                "has moved to another car, change the old one first."
            )
        return plate

    def _other(self, **lookup: str) -> Vehicle | None:
        others = Vehicle.objects.filter(**lookup).exclude(pk=self.instance.pk)
        return others.select_related("vehicle_model").first()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "vin" not in cleaned or "plate" not in cleaned:
            return cleaned
        if not cleaned["vin"].strip():
            if not cleaned["plate"]:
                self.add_error("plate", "Give the plate or the VIN, so the car is found again.")
            cleaned["vin"] = ""
            self.instance.vin_odd = False
            return cleaned
        self.report = report = vin_report(cleaned["vin"])
        cleaned["vin"] = report.vin
        self.instance.vin_odd = report.needs_confirmation
        if len(report.vin) > MOST_VIN_CHARACTERS:
            self.add_error("vin", "A VIN has 17 characters: take out what does not belong to it.")
        elif other := self._other(vin=report.vin):
            self.add_error(
                "vin", f"This VIN is in the book already: {other}. Choose that vehicle instead."
            )
        elif report.needs_confirmation and not cleaned.get("vin_confirmed"):
            self.add_error("vin", "Look at the VIN again: correct it, or confirm it as typed.")
        return cleaned


def vin_report(text: str) -> VinReport:
    """What can be said of a VIN today."""
    return examine_vin(text, latest_year=timezone.localdate().year + 1)
