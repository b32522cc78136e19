"""Equaliser sections of one channel, edited as a list."""

from typing import Any, Final, NamedTuple

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from jobs import wording
from jobs.forms.bay.cells import NumberField, show_number

KINDS: Final = [
    ("", wording.NOTHING),
    *((kind, wording.capital(said)) for kind, said in wording.SECTIONS.items()),
]
_FLAT: Final = frozenset(wording.SECTIONS) - wording.WITH_GAIN

FIELDS: Final[dict[str, forms.Field]] = {
    "kind": forms.ChoiceField(choices=KINDS, required=False),
    "frequency_hz": NumberField(unit="Hz", min_value=10, max_value=40_000, required=False),
    "gain_db": NumberField(unit="dB", min_value=-60, max_value=30, required=False),
    "q": NumberField(min_value=0.05, max_value=100, required=False),
}
COLUMNS: Final = (
    ("frequency_hz", "Frequency, Hz"),
    ("gain_db", "Gain, dB"),
    ("q", "Q"),
)


class Line(NamedTuple):
    """One section as its row shows it: what stands or was typed, and what is wrong with it."""

    number: int
    values: dict[str, str]
    errors: dict[str, str]


def lines_of(sections: list[dict[str, Any]]) -> list[Line]:
    """The rows of the editor."""
    filled = [
        {
            "kind": one["kind"],
            "frequency_hz": show_number(one["frequency_hz"]),
            "gain_db": show_number(one["gain_db"]),
            "q": show_number(one["q"]),
        }
        for one in sections
    ]
    return [Line(number, values, {}) for number, values in enumerate(filled, 1)]


def read(data: QueryDict, most: int | None) -> tuple[list[dict[str, Any]], list[Line], str]:
    """Clean sections, the rows as typed, and what is wrong with the whole; empty rows are none.

    `most` is how many sections the processor has, None when it is not known.
    """
    sections: list[dict[str, Any]] = []
    lines: list[Line] = []
    columns = {name: data.getlist(name) for name in FIELDS}
    for index in range(max(map(len, columns.values()), default=0)):
        typed = {
            name: (values[index] if index < len(values) else "").strip()
            for name, values in columns.items()
        }
        errors: dict[str, str] = {}
        if any(typed.values()):
            section, errors = _read_one(typed)
            if not errors:
                sections.append(section)
        lines.append(Line(index + 1, typed, errors))
    trouble = ""
    if most is not None and len(sections) > most:
        trouble = f"This processor has {most} sections a channel; {len(sections)} are entered."
    return sections, lines, trouble


def section_of(line: Line) -> dict[str, Any] | None:
    """The section a row means; None while it is empty or wrong."""
    if not any(line.values.values()):
        return None
    section, errors = _read_one(line.values)
    return None if errors else section


def _read_one(typed: dict[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    clean: dict[str, Any] = {}
    errors: dict[str, str] = {}
    for name, field in FIELDS.items():
        try:
            clean[name] = field.clean(typed[name])
        except ValidationError as error:
            errors[name] = " ".join(error.messages)
    if not clean.get("kind") and "kind" not in errors:
        errors["kind"] = "Choose the kind."
    if clean.get("frequency_hz") is None and "frequency_hz" not in errors:
        errors["frequency_hz"] = "Give the frequency."
    flat = clean.get("kind") in _FLAT
    clean["gain_db"] = 0.0 if flat else clean.get("gain_db") or 0.0
    clean["q"] = clean.get("q") or 0.707
    return clean, errors
