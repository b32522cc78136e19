"""Asking the person signed in to show again that it is them."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from shop.forms.second_factor import SecondFactorFields
from shop.http import Request
from shop.services import proof, second_factor
from shop.services.sign_in import is_own_password, why_not_own

SECOND = ("second", "passkey")


class ProofForm(SecondFactorFields):
    """A form that takes effect under the person's name: PIN or password stand at its end, and the
    second factor where it is asked for.

    A wrong one leaves whatever else was typed as it is. The limits of signing in hold.
    """

    password = forms.CharField(
        label="Your password",
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
        error_messages={"required": "Type it, so that nobody else does this in your name."},
    )

    second_must_be = True
    """Whether a person who needs a second factor and has none is refused."""

    def __init__(self, *args: Any, request: Request, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.asked = request, request.user
        self.asks_second = second_factor.asked_again(
            request, request.user, request.shop, must_be=self.second_must_be
        )
        if not self.asks_second:
            for name in SECOND:
                del self.fields[name]
        if self.may_be_pin():
            self.fields["password"].label = "Your PIN or password"
        asked = ["password", *(name for name in SECOND if self.asks_second)]
        if len(self.fields) == len(asked):
            self.fields["password"].widget.attrs["autofocus"] = True
        self.order_fields([*(name for name in self.fields if name not in asked), *asked])

    def may_be_pin(self) -> bool:
        """Whether a PIN is enough."""
        return proof.may_be_pin(self.request)

    def why_not(self, given: str) -> str:
        """What to say of what was typed, nothing when it is right."""
        return proof.why_not(self.request, given)

    def clean_password(self) -> str:
        given: str = self.cleaned_data["password"]
        if said := self.why_not(given):
            raise ValidationError(said)
        return given

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if self.asks_second and not self.errors:
            if not second_factor.has_one(self.asked):
                raise ValidationError({"second": second_factor.none_yet()})
            self.show()
        if not self.errors:
            proof.shown(self.request)
        return cleaned


class AgainForm(ProofForm):
    """Nothing but the proof; whoever has no second factor yet is led to it afterwards."""

    second_must_be = False


class PasswordForm(AgainForm):
    """The same where a PIN is not enough."""

    def may_be_pin(self) -> bool:
        return False

    def why_not(self, given: str) -> str:
        return "" if is_own_password(self.request, given) else why_not_own(self.request)
