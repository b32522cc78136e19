"""Forms of adapter leads: the lead, its pins a line each, and the cells of one wire."""

from functools import cache
from typing import Any, Final, NamedTuple

from django import forms
from django.utils.translation import gettext

from jobs.forms.bay.cells import ColourField, Fields, field_of
from jobs.forms.plugs import columns_of
from jobs.models import AdapterWire
from jobs.plan.power import colours

MOST_PINS: Final = 100
MOST_OF_A_PIN: Final = 20


class PinToPin(NamedTuple):
    """A wire of a lead, as a line says it."""

    from_pin: str
    to_pin: str
    base: str = ""
    stripe: str = ""
    note: str = ""


@cache
def adapter_fields() -> Fields:
    """What may be put right of one wire of a lead."""
    return {
        "to_pin": field_of(AdapterWire, "to_pin", label="Pin at the other end"),
        "base": ColourField(label="Base colour"),
        "stripe": ColourField(label="Stripe colour"),
        "note": field_of(AdapterWire, "note"),
    }


class AdapterForm(forms.Form):
    """A new lead: the plugs at its ends, and what it is called where two are alike."""

    from_plug = forms.CharField(
        max_length=40, label="Plug at this end", widget=forms.TextInput({"list": "ends-known"})
    )
    to_plug = forms.CharField(
        max_length=40, label="Plug at the other end", widget=forms.TextInput({"list": "ends-known"})
    )
    name = forms.CharField(max_length=80, label="Lead", required=False)

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if data.get("from_plug") and data.get("to_plug") and not data.get("name"):
            data["name"] = f"{data['from_plug']} to {data['to_plug']}"[:80]
        return data


class PinsForm(forms.Form):
    """Pins of a lead, a line each."""

    text = forms.CharField(
        label="Pins, a line each",
        max_length=8000,
        strip=False,
        widget=forms.Textarea({"rows": 2}),
        help_text="Pin at this end; pin at the other end; colour; note. Such as 1; 4; GN/WH",
        error_messages={"required": "Write the pins first: 1; 4; GN/WH"},
    )

    def clean_text(self) -> str:
        text: str = self.cleaned_data["text"]
        self.pins: list[PinToPin] = []
        lines = [line for line in text.splitlines() if line.strip()]
        if len(lines) > MOST_PINS:
            raise forms.ValidationError(
                gettext("At most %(most)s lines at once: write it in parts.") % {"most": MOST_PINS}
            )
        for number, line in enumerate(lines, 1):
            read = _line(line)
            if isinstance(read, str):
                raise forms.ValidationError(
                    gettext("Line %(number)s: %(read)s") % {"number": number, "read": read}
                )
            if any((read.from_pin, read.to_pin) == (one.from_pin, one.to_pin) for one in self.pins):
                raise forms.ValidationError(
                    gettext("Line %(number)s: that wire is there twice.") % {"number": number}
                )
            self.pins.append(read)
        return text


def _line(line: str) -> PinToPin | str:
    """The wire a line says, or why it says none."""
    first, second, colour, note = [*columns_of(line), "", "", ""][:4]
    if not first or not second:
        return "it wants a pin of either plug, apart by a semicolon: 1; 4"
    if len(first) > MOST_OF_A_PIN or len(second) > MOST_OF_A_PIN:
        return f"a pin has at most {MOST_OF_A_PIN} characters."
    if len(note) > 120:
        return "its note is longer than 120 characters."
    base = stripe = ""
    if colour and colour not in ("-", "–"):
        read = colours.read(colour)
        if read is None:
            return f"“{colour[:20]}” is no colour: write GN/WH or green white."
        base, stripe = read
    return PinToPin(first, second, base, stripe, note)
