"""Forms of the shop's step lists."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from jobs.models import CautionKind, Gate, StepTemplate, WorkKind
from jobs.services.gates import PLAN_GATES
from shop.forms.base import ModelForm
from shop.typed import row_keys


class WorkKindForm(ModelForm):
    """A kind of work; one out of use is not offered at booking."""

    class Meta:
        model = WorkKind
        fields = ["name", "note", "order", "active", "for_comebacks"]
        labels = {
            "name": "Kind of work",
            "order": "Place in the list",
            "active": "In use: offered at booking",
            "for_comebacks": "Chosen beforehand when a comeback is booked",
        }
        help_texts = {"note": "What belongs to it, for whoever books."}


class StepForm(ModelForm):
    """A step of a list: what to do, what to watch for, what must be shown."""

    cautions = forms.MultipleChoiceField(
        label="Cautions shown at this step",
        choices=CautionKind.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple({"class": "choices", "data-span": "all"}),
    )

    class Meta:
        model = StepTemplate
        fields = [
            *("text", "cautions", "photo_required", "reading_label", "reading_unit"),
            *("reading_kind", "gate", "ticks_itself"),
        ]
        labels = {
            "text": "What is to be done",
            "photo_required": "Needs a photo",
            "reading_label": "Reading to enter",
            "reading_unit": "Its unit",
            "reading_kind": "Is the same as the reading after the work",
            "gate": "May only be ticked when",
            "ticks_itself": "Ticked by itself once that is so",
        }
        help_texts = {
            "text": "One thing, in the words used at the bench.",
            "reading_label": "For example “Voltage at the amplifier under load”.",
            "reading_unit": "V, A, mΩ, N·m.",
            "reading_kind": "What is entered there appears at the step, and the other way round.",
            "ticks_itself": "For a step that is no more than an entry made elsewhere.",
        }
        widgets = {
            "text": forms.Textarea({"rows": 2, "data-span": "all", "maxlength": "200"}),
            "reading_label": forms.TextInput({"autocomplete": "off"}),
            "reading_unit": forms.TextInput({"autocomplete": "off", "class": "short"}),
            "gate": forms.Select(choices=Gate.choices, attrs={"data-span": "all"}),
        }

    def clean_text(self) -> str:
        return " ".join(self.cleaned_data["text"].split())

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("reading_label") and not cleaned.get("reading_unit"):
            self.add_error("reading_unit", gettext("Give the unit of the reading."))
        if cleaned.get("reading_unit") and not cleaned.get("reading_label"):
            self.add_error("reading_label", gettext("Say what is read in this unit."))
        if cleaned.get("ticks_itself"):
            gate = cleaned.get("gate", "")
            if not gate and not cleaned.get("reading_label"):
                self.add_error(
                    "ticks_itself", gettext("Say when it may be ticked, or what is read at it.")
                )
            elif gate in PLAN_GATES:
                self.add_error(
                    "ticks_itself",
                    gettext("A plan without a stop is no work done: this step is ticked by hand."),
                )
        return cleaned


class CopyForm(forms.Form):
    """Another kind of work whose steps are to be copied."""

    other = forms.ModelChoiceField(WorkKind.objects.none(), label="Copy the steps of")

    def __init__(self, *args: Any, kind: WorkKind, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        other = self.fields["other"]
        assert isinstance(other, forms.ModelChoiceField)
        other.queryset = WorkKind.objects.exclude(pk=kind.pk).filter(steps__isnull=False).distinct()


def step_keys(text: str) -> list[int]:
    """Keys of steps in an order that was sent, as numbers. Raises ValidationError."""
    named = [one for one in text.split(",") if one]
    keys = row_keys(named)
    if len(keys) != len(named):
        raise ValidationError(gettext("This is no order of steps."))
    return keys
