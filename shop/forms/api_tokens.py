"""The form of a new token of the API."""

from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext

from shop.forms.proof import ProofForm
from shop.scopes import Scope
from shop.services.api_tokens import LONGEST

USUAL = timedelta(days=90)


class ApiTokenForm(ProofForm):
    """For whom, what it may do, until when, and the proof that it is the manager."""

    name = forms.CharField(
        label="Which program it is for",
        max_length=60,
        widget=forms.TextInput({"autocomplete": "off"}),
        help_text="For example “Bookkeeping” or “Screen in the hall”.",
    )
    scopes = forms.MultipleChoiceField(
        label="What it may do",
        choices=Scope.choices,
        widget=forms.CheckboxSelectMultiple({"class": "choices", "data-span": "all"}),
        help_text="As little as the program needs: another token is made in a minute.",
        error_messages={"required": "Tick at least one thing the token may do."},
    )
    last_day = forms.DateField(
        label="Last day on which it works",
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        help_text="At most one year from now.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["last_day"].initial = timezone.localdate() + USUAL

    def clean_last_day(self) -> date:
        given: date = self.cleaned_data["last_day"]
        today = timezone.localdate()
        if not today <= given < today + LONGEST:
            raise forms.ValidationError(gettext("Give a day from today to one year from now."))
        return given

    @property
    def expires_at(self) -> datetime:
        """The end of the last day; only of a form that is valid."""
        day = self.cleaned_data["last_day"] + timedelta(days=1)
        return timezone.make_aware(datetime.combine(day, time()))
