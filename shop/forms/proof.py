"""Asking the person signed in to show again that it is them."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from shop.http import Request
from shop.services import proof


class ProofForm(forms.Form):
    """A form that takes effect under the person's name: PIN or password stand at its end.

    A wrong one leaves whatever else was typed as it is. The limits of signing in hold.
    """

    password = forms.CharField(
        label="Your password",
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
        error_messages={"required": "Type it, so that nobody else does this in your name."},
    )

    def __init__(self, *args: Any, request: Request, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request
        if proof.may_be_pin(request):
            self.fields["password"].label = "Your PIN or password"
        if len(self.fields) == 1:
            self.fields["password"].widget.attrs["autofocus"] = True
        self.order_fields([name for name in self.fields if name != "password"])

    def clean_password(self) -> str:
        given: str = self.cleaned_data["password"]
        if said := proof.why_not(self.request, given):
            raise ValidationError(said)
        return given
