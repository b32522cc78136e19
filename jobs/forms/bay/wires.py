"""A block of wires as it is copied from a spreadsheet or a plug table, and one cell filled down."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from jobs.forms.bay.fields import wire_fields
from jobs.forms.plugs import HEADINGS, MOST_LINES, LineProblem, columns_of
from jobs.models import Channel
from jobs.plan.power import colours

_PLACES: Final = ("connector", "positive_cavity", "positive", "negative_cavity", "negative", "note")
"""What a line of the grid holds, from the left; a colour is base and stripe together."""

_PLACE_OF: Final = {
    "connector": 0,
    "positive_cavity": 1,
    "positive_base": 2,
    "positive_stripe": 2,
    "negative_cavity": 3,
    "negative_base": 4,
    "negative_stripe": 4,
    "note": 5,
}
FILLED: Final = (
    "connector", "positive_base", "positive_stripe", "negative_base", "negative_stripe", "note",
)  # fmt: skip
"""Cells that are the same on many wires; a pin is not."""

_SIGN: Final = re.compile(r"\s*(?:\(?([+])\)?|\(?([-−–])\)?)\s*$")
_MARK: Final = re.compile(r"[A-Z]+\d+\.L?\d+$", re.IGNORECASE)


@dataclass(frozen=True)
class Row:
    """A row of the grid that a line may be for: the channel, and what it feeds in words."""

    channel: Channel
    feeds: str

    @property
    def mark(self) -> str:
        return self.channel.plan_id

    @property
    def words(self) -> set[str]:
        return set(re.findall(r"\w+", self.feeds.lower()))


@dataclass
class Block:
    """What a pasted text says: cells by channel, lines not understood, pins that are no wire."""

    cells: dict[int, dict[str, Any]] = field(default_factory=dict)
    problems: list[LineProblem] = field(default_factory=list)
    left: list[str] = field(default_factory=list)

    def put(self, row: Row, cells: dict[str, Any]) -> str:
        """Add cells of a row; why not, where a line before has said otherwise."""
        mine = self.cells.setdefault(row.channel.pk, {})
        for name, value in cells.items():
            if mine.get(name, value) != value:
                label = wire_fields()[name].label
                return f"The {label} of {row.mark} is there twice and differs."
        mine.update(cells)
        return ""


class Unread(Exception):
    """A line that is not understood; its text says what to do."""


def _cell(name: str, text: str) -> Any:
    try:
        return wire_fields()[name].clean(text)
    except ValidationError as error:
        label = wire_fields()[name].label
        raise Unread(f"{label}: {' '.join(error.messages)}") from None


def _colour(lead: str, text: str) -> dict[str, Any]:
    read = colours.read(text)
    if read is None:
        raise Unread(f"“{text[:20]}” is no colour: write GN/WH or green white.")
    return {f"{lead}_base": read[0], f"{lead}_stripe": read[1]}


def _across(cells: Sequence[str], first: int = 0) -> dict[str, Any]:
    """Cells of a line from a place of the grid on; empty ones say nothing."""
    if len(cells) > len(_PLACES) - first:
        raise Unread(
            "Too many columns: plug, + pin, + colour, − pin, − colour and a note, a colour and its "
            "stripe together as GN/WH."
        )
    found: dict[str, Any] = {}
    for place, text in zip(_PLACES[first:], cells, strict=False):
        if not text or text in ("-", "–"):
            continue
        found |= (
            _colour(place, text)
            if place in ("positive", "negative")
            else {place: _cell(place, text)}
        )
    return found


class WiresPasteForm(forms.Form):
    """A block for the wires grid.

    A line is a channel with plug, pins and colours; or, where `at` and `column` say the cell that
    was pasted into, cells from there on to the right and down; or a pin of a plug with its colour
    and its function.
    """

    text = forms.CharField(
        label="Wires",
        max_length=20_000,
        strip=False,
        widget=forms.Textarea({"rows": 8, "data-span": "all"}),
        help_text="A line for each channel: A1.1, plug, + pin, + colour, − pin, − colour. Or a "
        "line for each pin of one plug: pin, colour, and what it is for (“Front left +” or "
        "“A1.1 +”). Columns stand apart by tabs, semicolons or commas; a colour and its stripe "
        "as GN/WH.",
        error_messages={"required": "Paste the lines here first."},
    )
    plug = forms.CharField(
        label="Plug, where the lines name pins",
        max_length=40,
        required=False,
        widget=forms.TextInput({"list": "plugs-to-paste", "autocomplete": "off"}),
    )
    at = forms.IntegerField(required=False, widget=forms.HiddenInput)
    column = forms.CharField(required=False, max_length=20, widget=forms.HiddenInput)

    def __init__(self, *args: Any, rows: Sequence[Row], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = list(rows)
        self.block = Block()

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if "text" not in data:
            return data
        lines = [(number, line) for number, line in enumerate(data["text"].splitlines(), 1)]
        lines = [(number, line) for number, line in lines if line.strip()]
        if len(lines) > MOST_LINES:
            self.add_error(
                "text",
                gettext("At most %(most)s lines at once: paste it in parts.")
                % {"most": MOST_LINES},
            )
            return data
        first = 1
        if lines and columns_of(lines[0][1])[0].lower() in HEADINGS | {"channel"}:
            first = lines.pop(0)[0] + 1
        self._read(
            lines, first, data.get("at"), data.get("column", ""), data.get("plug", "").strip()
        )
        problems = self.block.problems
        if problems:
            unread_line, *others = problems
            self.add_error(
                "text",
                f"{len(problems)} lines are not understood; put right what stands above."
                if others
                else f"Line {unread_line.number}: {unread_line.why}",
            )
        elif not any(self.block.cells.values()):
            self.add_error("text", gettext("No line names a wire."))
        return data

    def _read(
        self, lines: list[tuple[int, str]], first: int, at: int | None, column: str, plug: str
    ) -> None:
        named = any(_MARK.match(columns_of(line)[0]) for _, line in lines)
        start = next((n for n, row in enumerate(self.rows) if row.channel.pk == at), None)
        for number, line in lines:
            cells = columns_of(line)
            try:
                if named:
                    why = self._named(cells)
                elif start is not None:
                    why = self._below(cells, start + number - first, column)
                else:
                    why = self._pin(cells, plug)
            except Unread as unread:
                why = str(unread)
            if why:
                self.block.problems.append(LineProblem(number, line.strip()[:80], why))

    def _row(self, mark: str) -> Row:
        for row in self.rows:
            if row.mark.lower() == mark.lower():
                return row
        raise Unread(f"This job has no channel {mark[:20]}: write one of its rows, {self._some()}.")

    def _some(self) -> str:
        return ", ".join(row.mark for row in self.rows[:3]) or "once it has channels"

    def _named(self, cells: list[str]) -> str:
        if not _MARK.match(cells[0]):
            raise Unread(
                f"It does not begin with a channel as the others do: write {self._some()}."
            )
        return self.block.put(self._row(cells[0]), _across(cells[1:]))

    def _below(self, cells: list[str], place: int, column: str) -> str:
        if column not in _PLACE_OF:
            raise Unread("Polarity is proved in the car, wire by wire: paste from the plug on.")
        if place >= len(self.rows):
            raise Unread(f"There is no row left: the grid ends at {self.rows[-1].mark}.")
        return self.block.put(self.rows[place], _across(cells, _PLACE_OF[column]))

    def _pin(self, cells: list[str], plug: str) -> str:
        pin, colour, function = [*cells, "", ""][:3]
        if not pin or len(pin) > 20:
            raise Unread(
                "It begins neither with a channel nor with a pin of at most 20 characters."
            )
        sign = _SIGN.search(function)
        if sign is None:
            self.block.left.append(" ".join(filter(None, [pin, function])))
            return ""
        if not plug:
            raise Unread("It names a pin, but of which plug? Write the plug below.")
        lead = "positive" if sign[1] else "negative"
        row = self._meant(function[: sign.start()].strip())
        found = {"connector": _cell("connector", plug), f"{lead}_cavity": pin}
        if colour and colour not in ("-", "–"):
            found |= _colour(lead, colour)
        return self.block.put(row, found)

    def _meant(self, function: str) -> Row:
        """The one row that a function is for: by its mark, or by words of what it feeds."""
        if _MARK.match(function):
            return self._row(function)
        words = set(re.findall(r"\w+", function.lower()))
        rows = [row for row in self.rows if words and words <= row.words]
        if len(rows) == 1:
            return rows[0]
        might = f"could be {', '.join(row.mark for row in rows)}" if rows else "is no row's place"
        example = (rows or self.rows)[0].mark if self.rows else "A1.1"
        raise Unread(f"“{function[:40]}” {might}: write the channel, “{example} +”.")


class FillForm(forms.Form):
    """One cell of a wire, to be written into the empty ones below."""

    at = forms.IntegerField()
    column = forms.ChoiceField(choices=[(name, name) for name in FILLED])
    value = forms.CharField(max_length=500, required=False)

    @property
    def cell(self) -> Any:
        """The value as the cell's own field takes it. Raises ValidationError."""
        return wire_fields()[self.cleaned_data["column"]].clean(self.cleaned_data["value"])
