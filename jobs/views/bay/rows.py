"""A row for its partial, with clashes in words."""

from typing import Any

from django import forms

from jobs.forms.bay.cells import CellRow, Cleaned
from jobs.services.saving import FieldClash


def cell_row(
    row: Any,
    fields: dict[str, forms.Field],
    cleaned: Cleaned | None,
    clashes: list[FieldClash],
    name: str = "",
) -> CellRow:
    """The row for its partial, clashes in words with the values as the cells show them."""
    told = [clash_words(fields, clash) for clash in clashes]
    return CellRow(row, fields, cleaned=cleaned, clashes=told, name=name)


def clash_words(fields: dict[str, forms.Field], clash: FieldClash) -> dict[str, Any]:
    """A clash as its box shows it: what the cell is called, both values, who and when."""
    field = fields[clash.field]

    def shown(value: Any) -> str:
        if isinstance(value, bool):
            return "yes" if value else "no"
        text = field.prepare_value(value)
        for known, label in _flat_choices(getattr(field, "choices", ())):
            if known not in ("", None) and str(known) == str(text):
                return str(label)
        return "nothing" if text in (None, "") else str(text)

    mine = field.prepare_value(clash.mine)
    return {
        "field": clash.field,
        "label": field.label,
        "mine": shown(clash.mine),
        "mine_value": str(mine).lower() if isinstance(mine, bool) else "" if mine is None else mine,
        "theirs": shown(clash.theirs),
        "actor": clash.actor,
        "at": clash.at,
    }


def _flat_choices(choices: Any) -> list[tuple[Any, Any]]:
    flat: list[tuple[Any, Any]] = []
    for value, label in choices:
        if isinstance(label, list | tuple):
            flat += _flat_choices(label)
        else:
            flat.append((value, label))
    return flat
