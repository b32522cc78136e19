"""Putting the times of a clock right."""

from typing import Any

from django import forms
from django.utils import timezone

from jobs.forms.booking import moment_field
from jobs.models import TimeEntry


class CorrectForm(forms.Form):
    """Start, end, note and reason; a technician is asked for the end alone."""

    started_at = moment_field("Started", 60)
    ended_at = moment_field("Ended", 60)
    note = forms.CharField(
        required=False, max_length=200, widget=forms.TextInput({"data-span": "all"})
    )
    reason = forms.CharField(
        label="Why it is changed",
        max_length=200,
        widget=forms.TextInput({"data-span": "all", "autocomplete": "off"}),
        help_text="Kept in the history of the job.",
    )

    def __init__(self, *args: Any, entry: TimeEntry, manager: bool, own: bool, **kwargs: Any):
        super().__init__(*args, **kwargs)
        if not manager:
            del self.fields["started_at"]
        if own:
            self.fields["reason"].required = False
        if not own:
            self.fields["ended_at"].required = not entry.is_running

    @staticmethod
    def initial_of(entry: TimeEntry, ended_at: Any) -> dict[str, Any]:
        return {
            "started_at": timezone.localtime(entry.started_at),
            "ended_at": timezone.localtime(ended_at) if ended_at else None,
            "note": entry.note,
        }
