"""Forms of shared tablets and PINs."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest
from django.utils.translation import gettext

from shop.forms.base import ModelForm
from shop.models import Bay, Tablet
from shop.services.pins import LONGEST, validate_pin
from shop.services.sign_in import is_own_password, why_not_own


def pin_widget(autocomplete: str = "new-password") -> forms.PasswordInput:
    """Digits only: a numeric keyboard, and no suggestion of old ones."""
    return forms.PasswordInput(
        {
            "inputmode": "numeric",
            "autocomplete": autocomplete,
            "maxlength": str(LONGEST),
            "class": "short",
        }
    )


class TabletForm(ModelForm):
    """The device in front of the manager."""

    class Meta:
        model = Tablet
        fields = ["name", "bay"]
        labels = {"name": "What it is called", "bay": "The bay it belongs to"}
        help_texts = {
            "name": "As it is marked on its case, for example “Bay 1 tablet”.",
            "bay": "After signing in, the board opens on this bay.",
        }
        widgets = {"name": forms.TextInput({"autocomplete": "off"})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        bay = self.fields["bay"]
        assert isinstance(bay, forms.ModelChoiceField)
        bay.queryset = Bay.objects.in_use()
        bay.empty_label = "No bay in particular"


class MyPinForm(forms.Form):
    """A new PIN, given twice, by somebody who knows the password."""

    password = forms.CharField(
        label="Your password",
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
        help_text="Asked again, so that nobody sets a PIN in your name.",
    )
    pin = forms.CharField(
        label="New PIN",
        widget=pin_widget(),
        help_text="4 to 8 digits, no date. It works only on tablets a manager has registered.",
    )
    again = forms.CharField(label="New PIN again", widget=pin_widget())

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean_password(self) -> str:
        password: str = self.cleaned_data["password"]
        if not is_own_password(self.request, password):
            raise ValidationError(why_not_own(self.request))
        return password

    def clean_pin(self) -> str:
        pin: str = self.cleaned_data["pin"]
        validate_pin(pin)
        return pin

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("pin") and cleaned.get("again") not in (None, cleaned["pin"]):
            self.add_error("again", gettext("The two PINs differ: type both again."))
        return cleaned
