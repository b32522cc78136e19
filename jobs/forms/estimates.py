"""Lines, approval and payments of an estimate."""

from decimal import Decimal
from typing import Any

from django import forms
from django.utils.translation import gettext

from jobs.forms.check_in import is_png
from jobs.models import ApprovedBy, EstimateLine, LineKind, Payment, PaymentKind
from shop.forms.base import ModelForm
from shop.forms.shop import offer_taxes


def number(label: str, places: int, digits: int, **more: Any) -> forms.DecimalField:
    """A number that may be typed with a comma for its point."""
    return TypedDecimal(
        label=label,
        decimal_places=places,
        max_digits=digits,
        widget=forms.TextInput({"inputmode": "decimal", "autocomplete": "off", "size": "8"}),
        error_messages={
            "required": "Give a number.",
            "invalid": "Give a number such as 12.50.",
            "max_decimal_places": f"At most {places} digits behind the point.",
        },
        **more,
    )


class TypedDecimal(forms.DecimalField):
    """Takes 12,50 for 12.50, and refuses what has both."""

    def clean(self, value: Any) -> Any:
        text = str("" if value is None else value).replace("\u00a0", "").replace(" ", "")
        if text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        return super().clean(text)


class LineForm(ModelForm):
    """One line of an estimate."""

    quantity = number("Hours or pieces", 3, 9, min_value=Decimal(0))
    price = number("Price each", 4, 13)

    class Meta:
        model = EstimateLine
        fields = ["kind", "text", "quantity", "price", "tax_rate", "optional"]
        labels = {
            "text": "What",
            "tax_rate": "Tax",
            "optional": "An option: the customer may leave it",
        }
        widgets = {
            "kind": forms.RadioSelect({"class": "segmented"}),
            "text": forms.TextInput({"autocomplete": "off"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = self.fields["kind"]
        assert isinstance(kind, forms.ChoiceField)
        kind.choices = LineKind.choices
        kind.initial = LineKind.LABOUR
        offer_taxes(self)

    def values(self) -> dict[str, Any]:
        """The cleaned values by field name."""
        return {name: self.cleaned_data[name] for name in self.fields}


class ApprovalForm(forms.Form):
    """Who approved the estimate, and how."""

    how = forms.ChoiceField(
        label="How",
        choices=ApprovedBy.choices,
        initial=ApprovedBy.SIGNATURE,
        widget=forms.RadioSelect({"class": "segmented"}),
    )
    said = forms.CharField(
        label="What was said",
        required=False,
        max_length=2000,
        widget=forms.Textarea({"rows": 2}),
        help_text="Needed for a call.",
    )
    signature = forms.CharField(required=False, max_length=400_000, strip=False)
    signature_name = forms.CharField(
        label="Name",
        max_length=80,
        error_messages={"required": "Write who approves it."},
    )

    @property
    def signed(self) -> list[forms.BoundField]:
        """Drawn by hand and typed: the fields that the signature's own part draws."""
        return [self["signature_name"], self["signature"]]

    def clean_signature(self) -> str:
        drawn: str = self.cleaned_data["signature"]
        if drawn and not is_png(drawn):
            raise forms.ValidationError(
                gettext("The signature could not be read: clear it and sign again.")
            )
        return drawn


class PaymentForm(ModelForm):
    """Money that changed hands."""

    amount = number("Amount", 4, 13)

    class Meta:
        model = Payment
        fields = ["kind", "amount", "how"]
        labels = {"how": "How"}
        widgets = {
            "kind": forms.RadioSelect({"class": "segmented"}),
            "how": forms.TextInput({"autocomplete": "off", "placeholder": "Cash, card, transfer"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = self.fields["kind"]
        assert isinstance(kind, forms.ChoiceField)
        kind.choices = PaymentKind.choices
        kind.initial = PaymentKind.DEPOSIT
