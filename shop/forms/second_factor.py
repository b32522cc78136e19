"""Asking for a second factor, and setting one up."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.functional import cached_property
from django.utils.translation import gettext_noop as kept

from shop.http import Request
from shop.models import Passkey, StaffMember
from shop.models.second_factor import MOST_OF_A_NAME
from shop.services import passkeys, second_factor

MOST_OF_A_CODE = 60


class CodeField(forms.CharField):
    """Wanted, and empty where a passkey is shown instead: what was shown says which."""

    def validate(self, value: str) -> None:
        return


def code_field(
    label: str, field: type[forms.CharField] = forms.CharField, **how: Any
) -> forms.CharField:
    """Where a code is typed: no suggestions of old ones, and the phone's own help with it."""
    return field(
        label=label,
        max_length=MOST_OF_A_CODE,
        widget=forms.TextInput(
            {"autocomplete": "one-time-code", "autocapitalize": "none", "spellcheck": "false"}
        ),
        **how,
    )


class SecondFactorFields(forms.Form):
    """The fields of a form that asks a person for the second factor; a script fills `passkey`."""

    second = code_field(
        kept("Code of your app"),
        CodeField,
        help_text="Six digits. A recovery code is taken as well.",
    )
    passkey = forms.CharField(required=False, widget=forms.HiddenInput())

    asked: StaffMember
    request: Request

    def show(self) -> str:
        """What was shown; raises ValidationError for what is not taken."""
        data = self.cleaned_data
        try:
            return second_factor.show(
                self.request, self.asked, data.get("second", ""), data.get("passkey", "")
            )
        except second_factor.Refused as refused:
            raise ValidationError({"second": refused.said}) from refused

    @cached_property
    def offers_passkey(self) -> bool:
        """Whether the person has a passkey that can be shown at this address."""
        there = passkeys.possible(self.request)
        host = passkeys.host_of(self.request)
        return there and Passkey.objects.filter(person=self.asked, host=host).exists()


class SecondFactorForm(SecondFactorFields):
    """The page after the password."""

    remember = forms.BooleanField(required=False)

    def __init__(self, *args: Any, request: Request, asked: StaffMember, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.asked, self.shown = request, asked, ""
        self.fields["second"].widget.attrs["autofocus"] = True
        if not request.shop.second_factor_days:
            del self.fields["remember"]

    def clean(self) -> dict[str, Any]:
        if not self.errors:
            self.shown = self.show()
        return self.cleaned_data


class AppForm(forms.Form):
    """The first code of an app that was just given its key."""

    second = code_field(kept("Code that the app shows now"))


class PasskeyForm(forms.Form):
    """A passkey that the browser has made, and what it is called."""

    name = forms.CharField(
        label="What it is called",
        max_length=MOST_OF_A_NAME,
        help_text="Where it is kept, for example “My phone” or “Blue key ring”.",
        widget=forms.TextInput({"autocomplete": "off"}),
    )
    passkey = forms.CharField(widget=forms.HiddenInput())
