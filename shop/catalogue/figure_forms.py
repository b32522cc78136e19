"""Number inputs that show a figure as people write it: 40, not 40.0."""

from typing import Any

from django import forms
from django.db import models


class FigureInput(forms.NumberInput):
    """A number of any fineness, shown without needless digits."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"step": "any", "inputmode": "decimal", **(attrs or {})})

    def format_value(self, value: Any) -> str | None:
        return f"{value:.10g}" if isinstance(value, float) else super().format_value(value)


def figure_field(field: "models.Field[Any, Any]", **kwargs: Any) -> forms.Field | None:
    """The form field of a model field; for `formfield_callback` of a model form."""
    if isinstance(field, models.FloatField):
        kwargs.setdefault("widget", FigureInput)
    return field.formfield(**kwargs)
