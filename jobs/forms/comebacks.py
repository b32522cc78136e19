"""Why a car came back, and the shop's list of causes."""

from typing import Any

from django import forms
from django.db.models import Q

from jobs.models import ComebackCause, ComebackFacts
from shop.forms.base import ModelForm


class ComebackForm(ModelForm):
    """The cause out of the shop's list, and what was found."""

    cause = forms.ModelChoiceField(
        ComebackCause.objects.none(),
        required=False,
        blank=True,
        label="Cause",
        empty_label="Not known yet",
        widget=forms.RadioSelect({"class": "choices"}),
        error_messages={"invalid_choice": "That cause is no longer in the list: choose again."},
    )

    class Meta:
        model = ComebackFacts
        fields = ["cause", "found"]
        labels = {"found": "What was found"}
        help_texts = {"found": "For the shop. It stands on no sheet."}
        widgets = {"found": forms.Textarea({"rows": 2, "maxlength": "300"})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", "comeback_%s")
        super().__init__(*args, **kwargs)
        field = self.fields["cause"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = ComebackCause.objects.filter(
            Q(active=True) | Q(pk=self.instance.cause_id or 0)
        )

    def values(self) -> dict[str, Any]:
        """The cleaned values by field name."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class CauseForm(ModelForm):
    """A cause of the shop's list."""

    class Meta:
        model = ComebackCause
        fields = ["name", "order", "active"]
        labels = {"order": "Place in the list", "active": "In use: offered on comebacks"}
        error_messages = {"name": {"unique": "The list has this cause already."}}
