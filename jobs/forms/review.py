"""Forms of the review: reasons to send back, the reason for a caution, the reason to correct."""

from django import forms


class SendBackForm(forms.Form):
    """What the technician has to put right: each line is one point."""

    reason = forms.CharField(
        label="What has to be put right",
        help_text="One point a line. The technician sees them on the bay sheet and ticks them off.",
        max_length=4000,
        widget=forms.Textarea({"rows": 5}),
        error_messages={"required": "Say what has to be put right, one point a line."},
    )


class ReasonForm(forms.Form):
    """Why a caution may stand; empty takes the reason back."""

    reason = forms.CharField(label="Reason it may stand", max_length=2000, required=False)


class CorrectionForm(forms.Form):
    """Why a signed sheet is opened again."""

    reason = forms.CharField(
        label="What is corrected, and why",
        help_text="It stands on the next revision, which names this one.",
        max_length=1000,
        widget=forms.Textarea({"rows": 3}),
        error_messages={"required": "Say what is corrected, and why."},
    )
