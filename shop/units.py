"""Lengths and distances at the edges: the database keeps metres, screens follow the shop's units.

The international foot is exactly 0.3048 m and the inch 0.0254 m (international yard and pound
agreement, 1959).
"""

from typing import Any, Final

from django import forms

from shop.models import Shop, Units

METRES_PER_FOOT: Final = 0.3048
METRES_PER_INCH: Final = 0.0254

FACTORS: Final = {"m": 1.0, "cm": 0.01, "ft": METRES_PER_FOOT, "in": METRES_PER_INCH}


def long_unit(shop: Shop) -> str:
    """The unit of cable lengths in this shop: m or ft."""
    return "ft" if shop.units == Units.US else "m"


def short_unit(shop: Shop) -> str:
    """The unit of small distances in this shop: m or in."""
    return "in" if shop.units == Units.US else "m"


def road_unit(shop: Shop) -> str:
    """The unit of odometers in this shop: km or mi."""
    return "mi" if shop.units == Units.US else "km"


class LengthField(forms.FloatField):
    """A length typed and shown in `unit` ("m", "ft" or "in"), cleaned to metres.

    Set `stands_m` to the stored length: left as shown, it comes back exactly, not rounded.
    """

    def __init__(self, *, unit: str = "m", stands_m: float | None = None, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.unit = unit
        self.stands_m = stands_m

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "step": "any"}

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int | float):
            return f"{value / FACTORS[self.unit]:.4g}"
        return value

    def clean(self, value: Any) -> float | None:
        if self.stands_m is not None and value == self.prepare_value(self.stands_m):
            return self.stands_m
        typed = self.to_python(value)
        if typed is None:
            forms.Field.validate(self, None)
            return None
        metres = typed * FACTORS[self.unit]
        self.validate(metres)
        self.run_validators(metres)
        return metres
