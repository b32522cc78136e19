"""What the customer signs with at hand-over."""

from typing import Any

from django import forms
from django.utils.translation import gettext

from jobs.forms.check_in import is_png

LARGEST = 400_000


class CollectForm(forms.Form):
    """A drawn signature, or the typed name alone; whether the customer's page goes out by mail."""

    signature = forms.CharField(required=False, max_length=LARGEST, strip=False)
    signature_name = forms.CharField(
        label="Name in capitals",
        max_length=80,
        error_messages={"required": "Write the name of the person who takes the car."},
    )
    mail = forms.BooleanField(required=False)

    def clean_signature(self) -> str:
        drawn: str = self.cleaned_data["signature"]
        if drawn and not is_png(drawn):
            raise forms.ValidationError(
                gettext("The signature could not be read: clear it and sign again.")
            )
        return drawn

    @property
    def said(self) -> list[Any]:
        """Every error, in the order of the fields."""
        return [line for name in self.fields for line in self.errors.get(name, [])]
