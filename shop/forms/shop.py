"""Forms of the shop profile and its bays."""

from typing import Any, Final

from django import forms
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import Q
from django.utils.translation import gettext, gettext_noop as kept

from shop.currencies import NAMES
from shop.forms.base import LongSelect, ModelForm
from shop.logo import data_url
from shop.models import Bay, Branch, Shop, TaxRate
from shop.models.shop import tax_said, time_zones
from shop.services.branches import is_free
from shop.units import LengthField, short_unit

TERMS: Final = ("sheet_terms", "sheet_terms_en", "sheet_terms_es", "sheet_terms_de")


def _zones() -> list[tuple[str, str]]:
    named = {zone for zone in time_zones() if "/" in zone and not zone.startswith("Etc/")}
    return [("UTC", "UTC"), *((zone, zone.replace("_", " ")) for zone in sorted(named))]


def offer_taxes(form: ModelForm) -> None:
    """The rates that a line or product may carry, the one it carries among them; no question at
    all in a shop that has but its usual one."""
    field = form.fields["tax_rate"]
    assert isinstance(field, forms.ModelChoiceField)
    rates = TaxRate.objects.filter(Q(active=True) | Q(pk=form.instance.tax_rate_id))
    shop = Shop.objects.current()
    usual = {"tax": tax_said(shop.tax_name, shop.tax_percent)}
    field.empty_label = gettext("The usual: %(tax)s") % usual
    field.queryset = rates
    if not rates:
        del form.fields["tax_rate"]


class TaxRateForm(ModelForm):
    """A rate beside the usual one."""

    class Meta:
        model = TaxRate
        fields = ["name", "percent", "order", "active"]
        labels = {
            "name": "What the tax is called",
            "percent": "Tax",
            "order": "Place in the list",
            "active": "In use: offered for lines and products",
        }
        help_texts = {
            "percent": "A change asks for a new approval where an estimate that has it is open.",
        }
        widgets = {"percent": forms.NumberInput({"data-unit": "%", "step": "any"})}


class ShopForm(ModelForm):
    """Name, units, time zone, and what the sums take for granted in this shop."""

    time_zone = forms.ChoiceField(choices=_zones, widget=LongSelect)
    currency = forms.ChoiceField(
        choices=[("", "Not said"), *((code, f"{code}, {name}") for code, name in NAMES.items())],
        required=False,
        widget=LongSelect,
    )
    verify_address = forms.URLField(
        label="Where anybody checks a sheet",
        required=False,
        assume_scheme="https",
        help_text=Shop._meta.get_field("verify_address").help_text,
    )
    fuse_distance_m = LengthField(
        label="Fuse to battery at most",
        help_text="0.45 m (18 in) is common practice, no source.",
        validators=[MinValueValidator(0.05), MaxValueValidator(5)],
    )

    class Meta:
        model = Shop
        fields = [
            "name",
            "phone",
            "email",
            "address",
            "sheet_terms",
            "sheet_terms_en",
            "sheet_terms_es",
            "sheet_terms_de",
            "time_zone",
            "units",
            "paper_size",
            "language",
            "max_drop_percent",
            "max_full_drop_percent",
            "music_duty_percent",
            "bass_duty_percent",
            "cabin_c",
            "engine_bay_c",
            "fuse_distance_m",
            "key_off_limit_a",
            "speaker_loss_db",
            "crossover_gap_db",
            "verify_address",
            "own_review_allowed",
            "longest_clock_h",
            "lock_after_min",
            "idle_limit_h",
            "second_factor_required",
            "second_factor_days",
            "currency",
            "tax_name",
            "tax_percent",
            "prices_with_tax",
            "labour_price",
            "work_warranty_months",
            "parts_warranty_months",
        ]
        labels = {
            "paper_size": "Paper",
            "own_review_allowed": "One person may review their own work",
            "tax_name": "What the tax is called",
            "tax_percent": "Tax",
            "prices_with_tax": "Prices include the tax",
            "labour_price": "Price of an hour of work",
            "work_warranty_months": "Warranty of the work",
            "parts_warranty_months": "Warranty of the parts",
            "sheet_terms": "Terms on the install sheet",
            "max_drop_percent": "Largest voltage drop with music",
            "max_full_drop_percent": "Largest voltage drop at full output",
            "music_duty_percent": "Music duty",
            "bass_duty_percent": "Music duty of subwoofers",
            "speaker_loss_db": "Level lost in a speaker cable at most",
            "cabin_c": "Cabin ambient",
            "engine_bay_c": "Engine bay ambient",
            "key_off_limit_a": "Key-off draw at most",
            "crossover_gap_db": "Crossover gap or overlap at most",
            "longest_clock_h": "A clock runs at most",
            "lock_after_min": "Shared tablets lock after",
            "idle_limit_h": "A browser is signed out after",
            "second_factor_required": "Managers sign in with a second factor",
            "second_factor_days": "A device is not asked again for",
        }
        help_texts = {
            "paper_size": "Of sheets, estimates and the papers of the counter. Label sheets have "
            "their own.",
            "own_review_allowed": "Where it happens, the sheet says so. Without it, a sheet waits "
            "for a manager who had no hand in it.",
            "work_warranty_months": "From the day of the hand-over. Empty: nothing is said of it.",
            "parts_warranty_months": "The shop's own. What a maker grants beyond it stands apart.",
            "longest_clock_h": "A clock that runs longer, or beyond closing time, is asked about.",
            "lock_after_min": "Without a touch. What is typed stays on the page.",
            "idle_limit_h": "Without anything done in it, on tablets too. What is typed or waits "
            "to be sent stays on the device.",
            "second_factor_required": "A code of an app or a passkey, beside the password. Who has "
            "none sets it up at the next sign-in.",
            "second_factor_days": "For the second factor alone; the password is always asked for. "
            "0: it is asked for at every sign-in.",
        }
        widgets = {
            "address": forms.Textarea({"rows": 3}),
            **{name: forms.Textarea({"rows": 3, "data-span": "all"}) for name in TERMS},
            "max_drop_percent": forms.NumberInput({"data-unit": "%", "step": "any"}),
            "max_full_drop_percent": forms.NumberInput({"data-unit": "%", "step": "any"}),
            "music_duty_percent": forms.NumberInput({"data-unit": "%", "step": "any"}),
            "bass_duty_percent": forms.NumberInput({"data-unit": "%", "step": "any"}),
            "speaker_loss_db": forms.NumberInput({"data-unit": "dB", "step": "any"}),
            "cabin_c": forms.NumberInput({"data-unit": "°C", "step": "any"}),
            "engine_bay_c": forms.NumberInput({"data-unit": "°C", "step": "any"}),
            "key_off_limit_a": forms.NumberInput({"data-unit": "A", "step": "any"}),
            "crossover_gap_db": forms.NumberInput({"data-unit": "dB", "step": "any"}),
            "tax_percent": forms.NumberInput({"data-unit": "%", "step": "any"}),
            "labour_price": forms.NumberInput({"step": "any"}),
            "work_warranty_months": forms.NumberInput({"data-unit": kept("months")}),
            "parts_warranty_months": forms.NumberInput({"data-unit": kept("months")}),
            "longest_clock_h": forms.NumberInput({"data-unit": "h", "step": "any"}),
            "lock_after_min": forms.NumberInput({"data-unit": "min"}),
            "idle_limit_h": forms.NumberInput({"data-unit": "h", "step": "any"}),
            "second_factor_days": forms.NumberInput({"data-unit": kept("days")}),
        }

    PROFILE = (
        "name",
        "phone",
        "email",
        "address",
        "sheet_terms",
        "time_zone",
        "units",
        "paper_size",
        "language",
        "verify_address",
        "own_review_allowed",
    )
    BENCH = ("longest_clock_h", "lock_after_min", "idle_limit_h")

    DOOR = ("second_factor_required", "second_factor_days")

    MONEY = ("currency", "tax_name", "tax_percent", "prices_with_tax", "labour_price")

    TRANSLATED = TERMS[1:]

    WARRANTY = ("work_warranty_months", "parts_warranty_months")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        distance = self.fields["fuse_distance_m"]
        assert isinstance(distance, LengthField)
        distance.unit = short_unit(self.instance)
        distance.stands_m = self.instance.fuse_distance_m
        distance.widget.attrs["data-unit"] = distance.unit

    @property
    def profile(self) -> list[forms.BoundField]:
        """Who the shop is."""
        return [self[name] for name in self.PROFILE]

    @property
    def translated(self) -> list[forms.BoundField]:
        """The terms for customers of other languages."""
        return [self[name] for name in self.TRANSLATED]

    @property
    def assumptions(self) -> list[forms.BoundField]:
        """What the sums take for granted."""
        others = (
            self.PROFILE + self.BENCH + self.DOOR + self.MONEY + self.WARRANTY + self.TRANSLATED
        )
        return [self[name] for name in self.fields if name not in others]

    @property
    def money(self) -> list[forms.BoundField]:
        """What estimates are written in."""
        return [self[name] for name in self.MONEY]

    @property
    def warranty(self) -> list[forms.BoundField]:
        """How long the shop answers for what it did."""
        return [self[name] for name in self.WARRANTY]

    @property
    def door(self) -> list[forms.BoundField]:
        """How managers sign in."""
        return [self[name] for name in self.DOOR]

    @property
    def bench(self) -> list[forms.BoundField]:
        """Clocks and shared tablets."""
        return [self[name] for name in self.BENCH]


class BayForm(ModelForm):
    """A bay; one out of use takes no new bookings."""

    class Meta:
        model = Bay
        fields = ["name", "note", "order", "active"]
        labels = {"order": "Place in the list", "active": "In use: takes bookings"}

    def clean_name(self) -> str:
        name: str = self.cleaned_data["name"]
        same = Bay.objects.filter(branch=self.instance.branch_id, name=name)
        if same.exclude(pk=self.instance.pk).exists():
            raise forms.ValidationError(gettext("There is a bay of this name already."))
        return name


class BranchForm(ModelForm):
    """A branch. Its letters are chosen once: they stand on its jobs and papers."""

    class Meta:
        model = Branch
        fields = ["name", "letters", "address", "phone", "order", "active"]
        labels = {"order": "Place in the list", "active": "In use: takes bookings"}
        help_texts = {
            "address": "On its papers and mails. Empty: the shop’s own.",
            "phone": "On its papers and mails. Empty: the shop’s own.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["name"].required = True
        if self.instance.pk:
            del self.fields["letters"]

    def clean_letters(self) -> str:
        letters: str = self.cleaned_data["letters"].strip().upper()
        if not is_free(letters):
            raise forms.ValidationError(
                gettext("Choose one or two letters from A to Z that no other branch has.")
            )
        return letters


class LogoForm(forms.Form):
    """A picture for the head of papers."""

    logo = forms.FileField(
        label="Picture",
        help_text="PNG, JPEG or WebP, wide rather than high; clear ground looks best.",
        widget=forms.FileInput({"accept": "image/png,image/jpeg,image/webp"}),
    )

    def clean_logo(self) -> tuple[str, str]:
        file = self.cleaned_data["logo"]
        return file.name[:120], data_url(file)
