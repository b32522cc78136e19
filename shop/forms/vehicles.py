"""The form of a vehicle model."""

from django import forms

from shop.forms.base import ModelForm
from shop.models import VehicleModel
from shop.wording import FACTORY_AMPLIFIER_DOES


class VehicleModelForm(ModelForm):
    """Make, model, years, trim and factory audio package."""

    class Meta:
        model = VehicleModel
        fields = [
            "make",
            "model",
            "year_from",
            "year_to",
            "trim",
            "audio_package",
            "body_shape",
            "powertrain",
            "factory_amplifier",
            "note",
        ]
        labels = {
            "year_from": "First model year",
            "year_to": "Last model year",
            "factory_amplifier": "Has a separate factory amplifier",
        }
        help_texts = {
            "year_to": "Leave empty while it is still made.",
            "factory_amplifier": f"It then does {FACTORY_AMPLIFIER_DOES}.",
        }
        widgets = {
            "note": forms.Textarea({"rows": 3, "data-span": "all"}),
            "year_from": forms.NumberInput({"inputmode": "numeric"}),
            "year_to": forms.NumberInput({"inputmode": "numeric"}),
        }
