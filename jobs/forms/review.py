"""Forms of the review: reasons to send back, the reason for a caution, the reason to correct."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.translation import gettext

from shop.forms.proof import ProofForm


class SendBackForm(forms.Form):
    """What the technician has to put right: each finding chosen is one point, and each line.

    `standing` gives the findings that keep the sheet from being signed, as (key, words, is a
    stop); stops are chosen until somebody takes them out.
    """

    findings = forms.MultipleChoiceField(
        label="Findings to put right",
        help_text="Such a point can be ticked off only once the finding is gone.",
        required=False,
        widget=forms.CheckboxSelectMultiple({"class": "choices"}),
        error_messages={"invalid_choice": "A finding that was chosen no longer stands."},
    )
    reason = forms.CharField(
        label="What else has to be put right",
        required=False,
        help_text="One point a line. The technician sees them on the bay sheet and ticks them off.",
        max_length=4000,
        widget=forms.Textarea({"rows": 5}),
    )

    def __init__(
        self, *args: Any, standing: Iterable[tuple[str, str, bool]], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        listed = list(standing)
        field = self.fields["findings"]
        assert isinstance(field, forms.MultipleChoiceField)
        field.choices = [(key, words) for key, words, _ in listed]
        field.initial = [key for key, _, stop in listed if stop]
        if not listed:
            del self.fields["findings"]
            self.fields["reason"].label = "What has to be put right"

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if not self.errors and not given.get("findings") and not given.get("reason"):
            self.add_error("reason", gettext("Say what has to be put right, one point a line."))
        return given


class ReasonForm(forms.Form):
    """Why a caution may stand; empty takes the reason back."""

    reason = forms.CharField(label="Why it stays as it is", max_length=2000, required=False)


class CorrectionForm(ProofForm):
    """Why a signed sheet is opened again."""

    reason = forms.CharField(
        label="What is corrected, and why",
        help_text="It stands on the next revision, which names this one.",
        max_length=1000,
        widget=forms.Textarea({"rows": 3}),
        error_messages={"required": "Say what is corrected, and why."},
    )
