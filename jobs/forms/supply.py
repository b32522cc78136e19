"""Where a part is."""

from typing import Any, Final

from django import forms
from django.utils.translation import gettext_noop as kept

from jobs.models import PartSupply
from shop.forms.base import ModelForm
from shop.kept_words import told
from shop.typed import sane_day

_ASKED: Final = (
    ("state", kept("is")),
    ("expected_on", kept("expected on")),
    ("note", kept("order")),
)
"""What is asked of a part, after its mark."""


class SupplyForm(ModelForm):
    """State, the day it is expected, supplier and order."""

    expected_on = forms.DateField(
        label="Expected on",
        required=False,
        validators=[sane_day],
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Give a day."},
    )

    class Meta:
        model = PartSupply
        fields = ["state", "expected_on", "note"]
        widgets = {
            "note": forms.TextInput({"autocomplete": "off", "placeholder": "Supplier, order"})
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        label = self.instance.part.label
        for name, words in _ASKED:
            self.fields[name].widget.attrs["aria-label"] = f"{label}: {told(words)}"

    def values(self) -> dict[str, Any]:
        """The cleaned values by field name, those that were sent alone."""
        return {
            name: self.cleaned_data[name]
            for name in self.Meta.fields
            if self.add_prefix(name) in self.data
        }
