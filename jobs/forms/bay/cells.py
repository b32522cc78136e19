"""Cells: fields of a row that are cleaned one at a time, and shown again as they were typed.

A save of a bay-sheet row posts only the cells that changed. `clean` looks at those alone, so two
people working on one row never send each other's values back.
"""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.backends.base.operations import BaseDatabaseOperations
from django.http import QueryDict
from django.utils.translation import gettext

from jobs.plan.power import colours
from shop.units import FACTORS

Fields = dict[str, forms.Field]

_NUMBER = re.compile(r"([+-]?\d*[.,]?\d*(?:[eE][+-]?\d+)?)\s*(k?)\s*([^\d\s]*)$")


def show_number(value: float) -> str:
    """A number as people write it: no trailing zeros, no exponent for everyday sizes."""
    return f"{value:.10g}"


class NumberField(forms.FloatField):
    """A number with decimal point or comma; its own unit may be typed behind it, and k for 1000."""

    widget = forms.TextInput

    def __init__(self, *, unit: str = "", **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.unit = unit

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "inputmode": "decimal", "autocomplete": "off"}

    def to_python(self, value: Any) -> Any:
        if isinstance(value, int | float) or value in self.empty_values:
            return super().to_python(value)
        text = str(value).strip().replace("−", "-").replace("\u00a0", " ")
        match = _NUMBER.match(text)
        if not match or not any(character.isdigit() for character in match[1]):
            raise ValidationError(gettext("No number: write it like 2.5 or 2,5."))
        number, kilo, unit = match.groups()
        if unit and unit.lower() != self.unit.lower():
            wanted = f"in {self.unit}" if self.unit else "without a unit"
            raise ValidationError(gettext("Write the number %(wanted)s.") % {"wanted": wanted})
        read = float(number.replace(",", ".")) * (1000 if kilo else 1)
        if not math.isfinite(read):
            raise ValidationError(gettext("Too large: no such number is measured."))
        return read

    def prepare_value(self, value: Any) -> Any:
        return show_number(value) if isinstance(value, int | float) else value

    def run_validators(self, value: Any) -> None:
        """Limits are said as they are typed, in the unit of the cell."""
        if value is None:
            return
        for validator in self.validators:
            if not isinstance(validator, MinValueValidator | MaxValueValidator):
                continue
            limit = validator.limit_value
            limit_text = f"{self.prepare_value(limit)} {self.unit}".strip()
            if isinstance(validator, MinValueValidator):
                if value < limit:
                    raise ValidationError(
                        gettext("Too small: %(limit_text)s or more.") % {"limit_text": limit_text}
                    )
            elif value > limit:
                raise ValidationError(
                    gettext("Too large: %(limit_text)s or less.") % {"limit_text": limit_text}
                )
        super().run_validators(value)


class LengthCell(NumberField):
    """A length shown and typed in `unit` ("m", "ft" or "in"), cleaned to metres."""

    def to_python(self, value: Any) -> Any:
        typed: float | None = super().to_python(value)
        return None if typed is None else round(typed * FACTORS[self.unit], 6)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int | float):
            return show_number(round(value / FACTORS[self.unit], 3))
        return value


_COLOURS = {code: f"{code} {name}" for code, name in colours.NAMES.items()}


class ColourField(forms.ChoiceField):
    """A wire colour: an IEC 60757 code, with its name behind it, or a word that means one."""

    def __init__(self, **kwargs: Any) -> None:
        choices = [("", "–"), *((label, label) for label in _COLOURS.values())]
        super().__init__(choices=choices, required=False, **kwargs)

    def to_python(self, value: Any) -> str:
        text = super().to_python(value).strip()
        return colours.code_for(text) or colours.code_for(text.partition(" ")[0]) or text

    def valid_value(self, value: Any) -> bool:
        return value in _COLOURS

    def prepare_value(self, value: Any) -> Any:
        return _COLOURS.get(value, value)


class WholeField(NumberField):
    """A whole number from a cell."""

    def to_python(self, value: Any) -> Any:
        number = super().to_python(value)
        if number is None:
            return None
        if number != int(number):
            raise ValidationError(gettext("Write a whole number."))
        return int(number)


def field_of(model: type[models.Model], name: str, **overrides: Any) -> forms.Field:
    """A cell for a model's field: its validators, choices, length and label are the model's."""
    source = model._meta.get_field(name)
    assert isinstance(source, models.Field)
    common: dict[str, Any] = {
        "label": str(source.verbose_name).capitalize(),
        "required": not source.blank and not isinstance(source, models.BooleanField),
        **overrides,
    }
    if isinstance(source, models.BooleanField) and not source.null:
        return forms.BooleanField(**{**common, "required": False})
    if isinstance(source, models.FloatField):
        kind = common.pop("field_class", NumberField)
        return _with_validators(kind(**common), source)
    if source.choices:
        common.setdefault("choices", _choices(source))
        coerce = int if isinstance(source, models.IntegerField) else str
        empty = None if source.null else ""
        return forms.TypedChoiceField(coerce=coerce, empty_value=empty, **common)
    if isinstance(source, models.IntegerField):
        low, high = BaseDatabaseOperations.integer_field_ranges[source.get_internal_type()]
        return _with_validators(WholeField(min_value=low, max_value=high, **common), source)
    return forms.CharField(max_length=source.max_length, **common)


def _choices(source: "models.Field[Any, Any]") -> list[tuple[Any, Any]]:
    choices = list(source.flatchoices)
    if source.blank and not any(value == "" for value, _ in choices):
        choices.insert(0, ("", "–"))
    return choices


def _with_validators(field: forms.Field, source: "models.Field[Any, Any]") -> forms.Field:
    field.validators[:0] = source.validators
    return field


@dataclass
class Cleaned:
    """What came of the posted cells: clean values, or messages beside what was typed."""

    changes: dict[str, Any] = field(default_factory=dict)
    errors: dict[str, str] = field(default_factory=dict)
    typed: dict[str, Any] = field(default_factory=dict)


def clean(fields: Mapping[str, forms.Field], data: QueryDict) -> Cleaned:
    """Clean the cells that were posted; those that were not are left alone."""
    result = Cleaned()
    for name, one in fields.items():
        if name not in data:
            continue
        value = one.widget.value_from_datadict(data, {}, name)
        result.typed[name] = value
        try:
            result.changes[name] = one.clean(value)
        except ValidationError as error:
            result.errors[name] = " ".join(error.messages)
    return result


class CellRow:
    """A row as its partial draws it: the saved values, or what was typed with its errors."""

    def __init__(
        self,
        row: models.Model,
        fields: Fields,
        *,
        cleaned: Cleaned | None = None,
        clashes: Iterable[Any] = (),
        name: str = "",
    ) -> None:
        self.row = row
        self.fields = fields
        self.name = name or str(row)
        self.errors = cleaned.errors if cleaned else {}
        self.typed = cleaned.typed if cleaned and cleaned.errors else {}
        self.clashes = list(clashes)

    @property
    def version(self) -> int:
        return getattr(self.row, "version", 0)

    def value(self, name: str) -> Any:
        """What stands in the cell: text, or a bool for a tick."""
        if name in self.errors:
            return self.typed[name]
        source = self.row._meta.get_field(name)
        value = getattr(self.row, getattr(source, "attname", name))
        return self.fields[name].prepare_value(value)
