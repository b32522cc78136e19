"""What the desk notes about a job: words that were said, keys, how to reach the customer."""

from typing import Any

from django import forms

from jobs.models import DeskFacts, Said
from jobs.services.desk import LONGEST
from shop.forms.base import ModelForm


class SaidForm(forms.Form):
    """Something that was said, and how."""

    how = forms.ChoiceField(
        label="How",
        choices=Said.choices,
        initial=Said.CALL,
        widget=forms.RadioSelect({"class": "segmented"}),
        error_messages={"required": "Choose how it was said."},
    )
    text = forms.CharField(
        label="What was said, and by whom",
        max_length=LONGEST,
        widget=forms.Textarea({"rows": 2}),
        error_messages={"required": "Write what was said first."},
    )
    printed = forms.BooleanField(label="Print it on the install sheet too", required=False)


class DeskForm(ModelForm):
    """Keys, the way to the customer, and what the customer does meanwhile."""

    class Meta:
        model = DeskFacts
        fields = ["reach", "keys_at", "stay", "loaner"]
        labels = {"reach": "Reach the customer", "keys_at": "Keys hang at", "stay": "Meanwhile"}
        widgets = {
            "reach": forms.TextInput(
                {"autocomplete": "off", "placeholder": "After 15:00, by message"}
            ),
            "keys_at": forms.TextInput({"autocomplete": "off", "placeholder": "Hook 4"}),
            "stay": forms.RadioSelect({"class": "segmented"}),
            "loaner": forms.TextInput({"autocomplete": "off", "placeholder": "Its plate or name"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", "desk_%s")
        super().__init__(*args, **kwargs)

    def values(self) -> dict[str, Any]:
        """The cleaned values by field name."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}
