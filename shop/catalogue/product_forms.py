"""Forms of the catalogue: each kind of product asks for its own figures."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from django import forms
from django.forms import inlineformset_factory
from django.utils.translation import gettext, gettext_noop as kept

from shop.catalogue.figure_forms import figure_field
from shop.forms.base import ModelForm
from shop.forms.shop import offer_taxes
from shop.models import Product, ProductKind, ProductRating
from shop.models.products import (
    LIMIT_BOUNDS,
    LIMIT_FIELDS,
    DelayUnit,
    fuses_in,
    pairs_in,
)
from shop.program_limits import (
    WrongLimits,
    kinds_in,
    kinds_text,
    range_in,
    range_text,
    slopes_in,
    slopes_text,
)

_SUPPLY = ("idle_current_a", "min_supply_v", "rated_supply_v")
_TURN_ON = ("turn_on", "turns_on_others")
_VOLTAGE = ("max_supply_v",)
_WAKES = ("trigger_input_a", "trigger_outputs", "trigger_output_a")
_PROCESSING = ("sample_rate_hz", "delay_step_ms", "max_sections")
PROGRAM: Final = kept("What its program takes")
_PROGRAM = (PROGRAM, LIMIT_FIELDS)
_INPUTS = ("line_inputs", "speaker_inputs", "optical_inputs", "coaxial_inputs", "network_inputs")
_SIGNAL = (
    "line_output_v",
    "input_sensitivity_min_v",
    "input_sensitivity_max_v",
    "input_max_v",
)

GROUPS: Final[dict[str, tuple[tuple[str, tuple[str, ...]], ...]]] = {
    ProductKind.AMPLIFIER: (
        (
            kept("Channels and loads"),
            (
                "amplifier_channels",
                "bridgeable",
                "min_load_ohm",
                "min_load_bridged_ohm",
                "amplifier_class",
                "efficiency",
            ),
        ),
        (kept("Supply and turn-on"), (*_SUPPLY, *_TURN_ON)),
        (kept("Signal and processing"), (*_INPUTS, "line_outputs", *_SIGNAL, *_PROCESSING)),
        _PROGRAM,
        (
            kept("Fuses, voltage and remote wire"),
            ("built_in_fuses", "output_protected", *_VOLTAGE, *_WAKES),
        ),
    ),
    ProductKind.PROCESSOR: (
        (kept("Signal and processing"), (*_INPUTS, "line_outputs", *_SIGNAL, *_PROCESSING)),
        _PROGRAM,
        (kept("Supply and turn-on"), (*_SUPPLY, *_TURN_ON)),
        (kept("Fuses, voltage and remote wire"), ("built_in_fuses", *_VOLTAGE, *_WAKES)),
    ),
    ProductKind.INTERFACE: (
        (kept("Signal"), (*_INPUTS, "line_outputs", "line_output_v")),
        (kept("Supply and turn-on"), (*_SUPPLY, *_TURN_ON)),
        (kept("Fuses, voltage and remote wire"), ("built_in_fuses", *_VOLTAGE, *_WAKES)),
    ),
    ProductKind.SPEAKER: (
        (
            kept("Speaker"),
            (
                "speaker_kind",
                "impedance_ohm",
                "coils",
                "power_w",
                "min_high_pass_hz",
                "min_high_pass_order",
                "max_low_pass_hz",
            ),
        ),
    ),
    ProductKind.SUBWOOFER: (
        (
            kept("Subwoofer"),
            ("impedance_ohm", "coils", "power_w", "max_low_pass_hz", "box_limit_hz"),
        ),
    ),
    ProductKind.CABLE: ((kept("Cable"), ("cable_size", "cable_metal", "insulation_c")),),
    ProductKind.FUSE: ((kept("Fuse or holder"), ("fuse_body", "fuse_rating_a")),),
    ProductKind.BATTERY: ((kept("Battery"), ("battery_chemistry", *_VOLTAGE)),),
    ProductKind.CAPACITOR: ((kept("Capacitor"), _VOLTAGE),),
    ProductKind.ISOLATOR: ((kept("Isolator"), ("rated_current_a", *_VOLTAGE)),),
    ProductKind.CONVERTER: (
        (kept("Converter"), ("output_v", "rated_current_a", "min_supply_v", *_VOLTAGE)),
    ),
    ProductKind.OTHER: (),
}
FOLDED: Final = frozenset({"Fuses, voltage and remote wire", PROGRAM})
"""Groups that stay closed until one of their figures is known or wrong; a processor's program is
asked for openly."""
BASICS: Final = ("maker", "name", "part_number", "price", "cost", "note", "discontinued")
LABELS: Final = {
    "coils": "Voice coils",
    "turns_on_others": "Can wake the amplifiers",
    "min_high_pass_order": "Safe high-pass, least order",
}
"""Short names of figures where the field's own would not do."""

EVERY_FIELD: Final = tuple(
    dict.fromkeys(
        [*BASICS, *(name for groups in GROUPS.values() for _, names in groups for name in names)]
    )
)


class ProductForm(ModelForm):
    """A product of one kind; the kind is chosen before the form is shown."""

    class Meta:
        model = Product
        formfield_callback = figure_field
        fields = [*EVERY_FIELD, "tax_rate"]
        labels = {
            **LABELS,
            "discontinued": "Discontinued: no longer offered for new jobs",
            "min_high_pass_order": "At least this order (2 is 12 dB/oct)",
            "turns_on_others": "Can wake the amplifiers, so they need no remote wire",
        }
        help_texts = {
            "turns_on_others": "",
            "min_high_pass_hz": "The sums need it for a tweeter or midrange.",
            "part_number": "As the maker or your supplier writes it.",
        }
        widgets = {"note": forms.Textarea({"rows": 3, "data-span": "all"})}

    def __init__(self, *args: Any, kind: str, asks_tax: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind = kind
        self.instance.kind = kind
        if kind == ProductKind.SUBWOOFER:
            self.instance.speaker_kind = "subwoofer"
        wanted = {*BASICS, "tax_rate", *(name for _, names in GROUPS[kind] for name in names)}
        for name in set(self.fields) - wanted:
            del self.fields[name]
        if asks_tax:
            offer_taxes(self)
        else:
            del self.fields["tax_rate"]
        required = Product(kind=kind, speaker_kind=self.instance.speaker_kind).required_figures
        for name, form_field in self.fields.items():
            vars(form_field)["is_needed"] = name in required
        for name in ("amplifier_channels", "line_outputs", *_INPUTS, "coils"):
            if name in self.fields:
                self.fields[name].widget.attrs["inputmode"] = "numeric"

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField], str]]:
        """The figures of this kind in their groups, as bound fields, and whether the group is
        "closed", was "opened" by what is known or wrong in it, or "" where it never folds."""
        return [
            (title, [self[name] for name in names], self._fold(title, names))
            for title, names in GROUPS[self.kind]
        ]

    def _fold(self, title: str, names: tuple[str, ...]) -> str:
        if title not in FOLDED or (title == PROGRAM and self.kind == ProductKind.PROCESSOR):
            return ""
        told = any(self[name].value() not in (None, "", "unknown") for name in names)
        return "opened" if told or any(name in self.errors for name in names) else "closed"

    @property
    def basics(self) -> list[forms.BoundField]:
        """What every product has."""
        names = list(BASICS)
        if "tax_rate" in self.fields:
            names.insert(names.index("cost"), "tax_rate")
        return [self[name] for name in names]

    @property
    def asks_ratings(self) -> bool:
        """Whether this kind has rated powers."""
        return self.kind == ProductKind.AMPLIFIER

    def clean_built_in_fuses(self) -> str:
        """Ratings of the fuses in its case, written "30 + 30"."""
        text: str = self.cleaned_data["built_in_fuses"].strip()
        written = []
        for typed in text.split("+") if text else ():
            one = typed.strip().removesuffix("A").strip().replace(",", ".")
            ratings = fuses_in(one)
            if len(ratings) != 1 or f"{ratings[0]:g}" != one:
                raise forms.ValidationError(
                    gettext(
                        "“%(typed)s” is no rating. Write the fuses in its case such as 40 or 30 "
                        "+ 30."
                    )
                    % {"typed": typed.strip()}
                )
            written.append(one)
        return " + ".join(written)

    def clean_bridgeable(self) -> str:
        text: str = self.cleaned_data["bridgeable"].strip()
        pairs = [pair.strip() for pair in text.replace(";", ",").split(",") if pair.strip()]
        channels = self.cleaned_data.get("amplifier_channels")
        taken: set[int] = set()
        written = []
        for pair in pairs:
            found = pairs_in(pair)
            if not found:
                raise forms.ValidationError(
                    gettext("“%(pair)s” is no pair of channels. Write pairs such as 1+2, 3+4.")
                    % {"pair": pair}
                )
            ((low, high),) = found
            if not 0 < low < high:
                raise forms.ValidationError(
                    gettext(
                        "“%(pair)s” is no pair of channels: the lower channel comes first, as in "
                        "1+2."
                    )
                    % {"pair": pair}
                )
            if channels is not None and high > channels:
                raise forms.ValidationError(
                    gettext(
                        "“%(pair)s” names channel %(high)s, and this amplifier has %(channels)s."
                    )
                    % {"pair": pair, "high": high, "channels": channels}
                )
            if again := taken & {low, high}:
                raise forms.ValidationError(
                    gettext(
                        "Channel %(again)s stands in two pairs; it can be bridged with one other."
                    )
                    % {"again": min(again)}
                )
            taken |= {low, high}
            written.append(f"{low}+{high}")
        return ", ".join(written)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "typed_by" in self.fields:
            self._clean_program(cleaned)
        low, high = cleaned.get("input_sensitivity_min_v"), cleaned.get("input_sensitivity_max_v")
        if low and high and low > high:
            self.add_error(
                "input_sensitivity_max_v", gettext("The range ends below where it begins.")
            )
        return cleaned

    def _clean_program(self, cleaned: dict[str, Any]) -> None:
        """What its program takes, each line in the form in which it is kept."""
        for name, (low, high) in LIMIT_BOUNDS.items():
            with self._told(name):
                cleaned[name] = range_text(range_in(cleaned[name], low, high), cleaned[name])
        with self._told("crossover_slopes"):
            cleaned["crossover_slopes"] = slopes_text(slopes_in(cleaned["crossover_slopes"]))
        with self._told("section_kinds"):
            cleaned["section_kinds"] = kinds_text(kinds_in(cleaned["section_kinds"]))
        unit = cleaned.get("delay_unit")
        if cleaned.get("delay_steps") and not unit:
            self.add_error("delay_unit", gettext("Say in what it counts the delays below."))
        if unit == DelayUnit.SAMPLES and not cleaned.get("sample_rate_hz"):
            self.add_error(
                "sample_rate_hz", gettext("It counts delay in samples: give its sample rate.")
            )
        if cleaned.get("delay_speed_m_s") and unit not in (DelayUnit.CM, DelayUnit.INCHES):
            self.add_error(
                "delay_speed_m_s",
                gettext("Leave it empty: it counts where delay is a length in cm or inches."),
            )
        if cleaned.get("section_width_steps") and not cleaned.get("width_counted"):
            self.add_error("width_counted", gettext("Say how it counts the widths below."))
        if cleaned.get("delay_steps") and cleaned.get("delay_step_ms"):
            self.add_error(
                "delay_step_ms",
                gettext("Leave it empty: the delays its program takes say their own step."),
            )

    @contextmanager
    def _told(self, name: str) -> Iterator[None]:
        """Say at the field what is wrong with its line; nothing where it is wrong already."""
        try:
            yield
        except KeyError:
            pass
        except WrongLimits as wrong:
            self.add_error(name, str(wrong))


RatingFormSet = inlineformset_factory(
    Product,
    ProductRating,
    fields=["load_ohm", "power_w", "bridged"],
    extra=3,
    formfield_callback=figure_field,
    can_delete=True,
    labels={"load_ohm": "Load, Ω", "power_w": "Power, W", "bridged": "Bridged"},
)
