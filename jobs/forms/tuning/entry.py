"""The cells of an entry list: a tick, and what a program shows."""

from typing import Any

from django import forms

from jobs.forms.bay.cells import Fields, NumberField, show_number
from jobs.models import JobPart
from jobs.plan.entered import CELL_WORDS, INVERTED, MUTED, NORMAL, OFF, PLAYS, Cell, Line, unit_of
from jobs.wording import FAMILIES, SECTIONS
from shop.forms.base import ModelForm

CHOICES: dict[str, tuple[str, ...]] = {
    "family": (OFF, *map(str, FAMILIES)),
    "section": tuple(SECTIONS),
    "polarity": (NORMAL, INVERTED),
    "sound": (PLAYS, MUTED),
}
"""What a cell that is chosen may show."""


class FigureCell(NumberField):
    """A figure as a program shows it, kept as text; empty where it shows none."""

    def clean(self, value: Any) -> str:
        found = super().clean(value)
        return "" if found is None else show_number(found)


def choices_of(cell: Cell) -> list[tuple[str, str]]:
    """What a cell may show, each with its words; empty for a figure."""
    return [(one, CELL_WORDS[one]) for one in CHOICES.get(cell.kind, ())]


def entry_fields(line: Line) -> Fields:
    """The tick, the word that all is the same, and each cell as the program shows it."""
    fields: Fields = {
        "typed": forms.BooleanField(required=False, label="Entered"),
        "same": forms.BooleanField(required=False, label="Shows the same"),
    }
    for place, cell in enumerate(line.cells):
        if choices := choices_of(cell):
            fields[f"f{place}"] = forms.ChoiceField(choices=choices, label=cell.name)
        else:
            unit = "dB/oct" if cell.kind == "slope" else unit_of(cell)
            fields[f"f{place}"] = FigureCell(required=False, label=cell.name, unit=unit)
    return fields


class StateForm(ModelForm):
    """Under which name, and in which slot, a processor keeps the state."""

    class Meta:
        model = JobPart
        fields = ("state_name", "state_slot")
