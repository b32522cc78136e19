"""The form of a vehicle model."""

from typing import Final

from django import forms
from django.utils.translation import gettext

from shop.forms.base import ModelForm
from shop.models import VehicleModel
from shop.wording import FACTORY_AMPLIFIER_DOES

MOST_OF_A_LINE: Final = 200
MOST_LINES: Final = 30


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
            "reconnect",
            "note",
        ]
        labels = {
            "year_from": "First model year",
            "year_to": "Last model year",
            "factory_amplifier": "Has a separate factory amplifier",
        }
        help_texts = {
            "year_to": "Leave empty while it is still made.",
            "reconnect": "What the car has to be taught again, a line each. Left empty, a job is "
            "offered the usual list.",
            "factory_amplifier": f"It then does {FACTORY_AMPLIFIER_DOES}.",
        }
        widgets = {
            "reconnect": forms.Textarea({"rows": 4, "data-span": "all"}),
            "note": forms.Textarea({"rows": 3, "data-span": "all"}),
            "year_from": forms.NumberInput({"inputmode": "numeric"}),
            "year_to": forms.NumberInput({"inputmode": "numeric"}),
        }

    def clean_reconnect(self) -> str:
        """Lines that each fit a step of a job."""
        text: str = self.cleaned_data["reconnect"]
        lines = [line.strip() for line in text.splitlines()]
        for number, line in enumerate(lines, 1):
            if len(line) > MOST_OF_A_LINE:
                raise forms.ValidationError(
                    gettext("Line %(number)s is longer than %(most)s characters: make two of it.")
                    % {"number": number, "most": MOST_OF_A_LINE}
                )
        if len(lines) > MOST_LINES:
            raise forms.ValidationError(
                gettext("At most %(most)s lines: put some of them together.") % {"most": MOST_LINES}
            )
        return "\n".join(lines)
