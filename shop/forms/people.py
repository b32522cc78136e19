"""Forms of customers and staff."""

from typing import Any

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils.translation import gettext

from shop.branches import Reach
from shop.forms.base import ModelForm
from shop.forms.tablets import pin_widget
from shop.models import Branch, Customer, StaffMember
from shop.services.pins import validate_pin

MOST_KNOWN = 5


class CustomerForm(ModelForm):
    """A customer; one way to reach them is needed.

    A phone number that is in the book already is said, with whose it is in `known`; ticking
    `known_confirmed` keeps both.
    """

    known: tuple[Customer, ...] = ()

    class Meta:
        model = Customer
        fields = ["name", "phone", "email", "language", "address", "note"]
        widgets = {
            "name": forms.TextInput({"autocomplete": "off", "autocapitalize": "words"}),
            "phone": forms.TextInput({"type": "tel", "autocomplete": "off"}),
            "email": forms.EmailInput({"autocomplete": "off"}),
            "address": forms.Textarea({"rows": 3, "data-span": "all"}),
            "note": forms.Textarea({"rows": 3, "data-span": "all"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is None:
            names = [self.add_prefix(name) for name in ("name", "phone")]
            for name in ("name", "phone"):
                self.fields[name].widget.attrs |= {
                    "hx-get": reverse("customers_known"),
                    "hx-trigger": "input changed delay:300ms",
                    "hx-target": "#known-now",
                    "hx-include": ", ".join(f"[name='{one}']" for one in names),
                }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not (cleaned.get("phone") or cleaned.get("email") or self.errors):
            self.add_error(
                "phone",
                gettext(
                    "Give a phone number or an email, so that the shop can say when the car "
                    "is ready."
                ),
            )
        if "phone" in self.changed_data and (phone := cleaned.get("phone")):
            self.known = tuple(
                Customer.objects.with_phone(phone).exclude(pk=self.instance.pk)[:MOST_KNOWN]
            )
        if self.known and self.data.get(self.add_prefix("known_confirmed")) != "on":
            self.add_error("phone", gettext("This phone number is in the book already."))
        return cleaned


class LanguageForm(ModelForm):
    """The language in which a person reads the screens."""

    class Meta:
        model = StaffMember
        fields = ["language"]


class StaffForm(ModelForm):
    """A staff member and the roles they hold. A new one needs a first password."""

    password = forms.CharField(
        label="First password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}, render_value=True),
        help_text="At least 15 characters: four odd words are good. Tell it in person; "
        "they choose their own as they sign in with it.",
    )

    pin = forms.CharField(
        label="New PIN for shared tablets",
        required=False,
        widget=pin_widget(),
        validators=[validate_pin],
        help_text="4 to 8 digits, no date. Leave empty to keep the present one. It signs in on "
        "registered tablets only; they can set their own under “My PIN”.",
    )

    class Meta:
        model = StaffMember
        fields = [
            "name",
            "username",
            "email",
            "language",
            "is_front_desk",
            "is_technician",
            "is_manager",
            "is_active",
        ]
        labels = {
            "name": "Full name",
            "username": "Sign-in name",
            "is_front_desk": "Front desk: books, checks in, hands over",
            "is_technician": "Technician: does the work, fills in the bay sheet",
            "is_manager": "Manager: reviews, signs off, keeps settings and catalogue",
            "is_active": "May sign in",
        }
        help_texts = {"username": "What they type to sign in. Letters, digits and . _ - only."}
        widgets = {
            "username": forms.TextInput({"autocomplete": "off", "autocapitalize": "none"}),
            "name": forms.TextInput({"autocomplete": "off"}),
        }

    field_order = [
        "name",
        "username",
        "email",
        "password",
        "pin",
        "language",
        "is_front_desk",
        "is_technician",
        "is_manager",
        "is_active",
    ]

    def __init__(self, *args: Any, reach: Reach | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if reach is not None:
            self._ask_branches(reach)
        if self.instance.pk:
            password = self.fields["password"]
            password.label = "New password"
            password.required = False
            password.help_text = gettext(
                "At least 15 characters. Leave empty to keep the present one. A new one signs "
                "them out."
            )

    def _ask_branches(self, reach: Reach) -> None:
        """Where they work: among the branches of whoever asks, who gives no more than they have."""
        person, keys = self.instance, reach.own_keys
        of_person = {branch.pk for branch in Branch.objects.filter(people=person.pk)}
        self.fields["branches"] = forms.ModelMultipleChoiceField(
            Branch.objects.filter(pk__in=keys),
            widget=forms.CheckboxSelectMultiple({"class": "choices"}),
            label="Works at",
            initial=of_person if person.pk else reach.shown_keys,
            error_messages={"required": gettext("Say where they work.")},
        )
        if reach.whole:
            self.fields["whole_business"] = forms.BooleanField(
                required=False, label="Whole business: every branch", initial=person.whole_business
            )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        roles = ("is_front_desk", "is_technician", "is_manager")
        if not any(cleaned.get(role) for role in roles):
            self.add_error("is_front_desk", gettext("Choose at least one role."))
        return cleaned

    def _post_clean(self) -> None:
        super()._post_clean()  # type: ignore[misc]  # not in its stubs
        if password := self.cleaned_data.get("password"):
            try:
                validate_password(password, self.instance)
            except ValidationError as error:
                self.add_error("password", error)
