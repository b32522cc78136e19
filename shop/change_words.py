"""What a logged change says in words: the field, its value from, its value to.

The logs of jobs and of the shop keep fields and values as they are; the words are made when shown.
"""

from typing import Any, Final

from django.core.exceptions import FieldDoesNotExist
from django.db import models

from shop import wording
from shop.typed import instant

NOTHING: Final = "nothing"
SHORT: Final = 24
"""A text shorter than this stands without quotation marks, as a single word does."""


def field_of(model: type[models.Model] | None, name: str) -> Any:
    """The field of that name, None where the rows of the model have no such column."""
    try:
        field = model._meta.get_field(name) if model else None
    except FieldDoesNotExist:
        return None
    return field if getattr(field, "concrete", False) else None


def label_of(field: Any, name: str) -> str:
    """What a field is called."""
    label = str(getattr(field, "verbose_name", name.replace("_", " ")))
    for plain, written in (("high pass", "high-pass"), ("low pass", "low-pass"), (" hz", ", Hz")):
        label = label.replace(plain, written)
    return label


def is_nothing(value: Any) -> bool:
    """Whether a field with this value is empty."""
    return value is None or value == "" or value == []


def value_of(value: Any, field: Any = None) -> str:
    """A value of a field in words."""
    if is_nothing(value):
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return wording.number(value, figures=6)
    if isinstance(value, list):
        if all(isinstance(one, dict) and "kind" in one for one in value):
            return str(len(value))
        return "; ".join(map(str, value))
    if isinstance(value, dict):
        return ", ".join(f"{name} {value_of(one)}" for name, one in value.items())
    choices = dict(getattr(field, "flatchoices", ()) or ())
    if value in choices:
        return str(choices[value])
    text = wording.size(str(value))
    moment = instant(text) if len(text) >= 16 and text[4:5] == "-" else None
    if moment is not None:
        return wording.dated(moment)
    plain = len(text.split()) == 1 or (len(text) < SHORT and "\n" not in text)
    return text if plain else f"“{text}”"


def with_unit(label: str, value: Any, field: Any) -> tuple[str, str]:
    """The label and the value; the unit of a number goes from the one to the other."""
    text = value_of(value, field)
    name, _, unit = label.rpartition(", ")
    if not name or isinstance(value, bool) or not isinstance(value, int | float):
        return label, text
    return name, wording.with_unit(text, unit)
