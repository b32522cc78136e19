"""Forms of plugs: the plug itself, one cavity, and a whole pin table pasted."""

from typing import Any, Final, NamedTuple

from django import forms
from django.utils.translation import gettext

from jobs.forms.bay.cells import ColourField
from jobs.plan.power import colours
from shop.forms.base import ModelForm
from shop.models import PlugCavity, PlugTable
from shop.models.plugs import Proof
from shop.services.plugs import Known

MOST_LINES: Final = 200
HEADINGS: Final = frozenset({"cavity", "pin", "no", "no.", "position", "terminal"})
_PROVED: Final = frozenset({"proved", "proven", "yes", "y", "measured", "tested", "x", "✓"})
_DOCUMENT: Final = frozenset({"document", "from a document", "no", "n", "drawing", "diagram", ""})


class PlugForm(ModelForm):
    """Name and face of a plug."""

    class Meta:
        model = PlugTable
        fields = ["name", "rows", "columns", "seen_from", "note"]
        help_texts = {
            "name": "As you call it on the bay sheet: “Door plug, left”.",
            "note": "Colour of the housing, where it sits, a part number.",
        }

    def clean_name(self) -> str:
        """A name that another plug of the same model or product has not."""
        name: str = self.cleaned_data["name"].strip()
        own = self.instance
        others = PlugTable.objects.filter(vehicle_model=own.vehicle_model, product=own.product)
        if others.filter(name=name).exclude(pk=own.pk).exists():
            raise forms.ValidationError(
                gettext("%(owner)s has a plug of that name already.") % {"owner": own.owner}
            )
        return name


class CavityForm(ModelForm):
    """One cavity, in the place of what stood there; without colour and function it is empty."""

    base = ColourField(label="Base colour")
    stripe = ColourField(label="Stripe colour")

    class Meta:
        model = PlugCavity
        fields = ["cavity", "base", "stripe", "function", "proof", "source"]
        labels = {
            "cavity": "Pin (cavity)",
            "proof": "How it is known",
            "source": "Which document, or how it was proved",
        }
        help_texts = {"function": "“Front left +”: plus and minus of one name make a pair."}

    @property
    def known(self) -> Known:
        data = self.cleaned_data
        return Known(*(data[name] for name in Known._fields))


class LineProblem(NamedTuple):
    """A line that is not understood: its number from 1, its text and why."""

    number: int
    text: str
    why: str


class PasteForm(forms.Form):
    """A pin table as it is copied from a document: a line a cavity."""

    text = forms.CharField(
        label="Pin table",
        max_length=20_000,
        strip=False,
        widget=forms.Textarea({"rows": 8, "data-span": "all"}),
        help_text="A line for each pin: pin (cavity), colour, function, then “proved” or "
        "“document” and from where. Columns stand apart by tabs, semicolons or commas.",
    )
    source = forms.CharField(label="Document it was copied from", max_length=120, required=False)

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        self.problems: list[LineProblem] = []
        known: dict[str, Known] = {}
        lines = str(data.get("text", "")).splitlines()
        if len(lines) > MOST_LINES:
            self.add_error(
                "text",
                gettext("At most %(most)s lines at once: paste it in parts.")
                % {"most": MOST_LINES},
            )
            return data
        for number, line in enumerate(lines, 1):
            if not line.strip():
                continue
            read = _line(line, str(data.get("source", "")))
            if isinstance(read, str):
                if number == 1 and columns_of(line)[0].lower() in HEADINGS:
                    continue
                self.problems.append(LineProblem(number, line.strip()[:80], read))
            elif read.cavity in known:
                self.problems.append(
                    LineProblem(number, line.strip()[:80], f"Pin {read.cavity} is there twice.")
                )
            else:
                known[read.cavity] = read
        if self.problems:
            first, *others = self.problems
            why = f"Line {first.number}: {first.why}"
            if others:
                why = f"{len(self.problems)} lines are not understood; put right what stands above."
            self.add_error("text", why)
        elif not known and "text" in data:
            self.add_error("text", gettext("No line names a pin."))
        data["known"] = list(known.values())
        return data


def columns_of(line: str) -> list[str]:
    """The cells of a pasted line, parted by tabs, else semicolons, else commas."""
    mark = next((one for one in ("\t", ";", ",") if one in line), "\t")
    return [one.strip() for one in line.split(mark)]


def _line(line: str, source: str) -> Known | str:
    """What a line says, or why it says nothing."""
    cells = [*columns_of(line), "", "", "", ""][:5]
    cavity, colour, function, proof, own_source = cells
    if not cavity or len(cavity) > 20:
        return "It does not begin with a pin of at most 20 characters."
    if cavity.lower() in HEADINGS:
        return "That is a heading."
    base = stripe = ""
    if colour and colour not in ("-", "–"):
        read = colours.read(colour)
        if read is None:
            return f"“{colour[:20]}” is no colour: write GN/WH or green white."
        base, stripe = read
    if len(function) > 60:
        return "Its function is longer than 60 characters."
    word = proof.lower()
    if word not in _PROVED | _DOCUMENT:
        own_source, word = " ".join(filter(None, [proof, own_source])), ""
    known = Proof.PROVED if word in _PROVED else Proof.DOCUMENT
    return Known(cavity, base, stripe, function, known, (own_source or source)[:120])
