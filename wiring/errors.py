"""The error every sum raises on an input it cannot answer for."""

from math import isfinite
from typing import Final

SMALLEST: Final = 1e-9
"""No quantity of a vehicle's wiring is as small, in any unit used here: less is a slip."""


class WiringError(ValueError):
    """An input is outside what the sum can answer: `field` names it, `reason` says why."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


def require_finite(field: str, value: float, unit: str) -> float:
    """The value when it is a number. Raises WiringError on infinity and on what is none."""
    if not isfinite(value):
        raise WiringError(field, f"{value:g} {unit} is no number")
    return value


def require_positive(field: str, value: float, unit: str) -> float:
    """The value when it is finite and above 0. Raises WiringError otherwise, or when it is so
    small that only a slip makes it."""
    require_finite(field, value, unit)
    if value < SMALLEST:
        small = f"too small: nothing under {SMALLEST:g} {unit} is taken" if value > 0 else ""
        raise WiringError(field, f"{value:g} {unit} is {small or 'not above 0'}")
    return value


def require_figure(field: str, value: float, unit: str) -> float:
    """The value, of either sign, when it is finite and not so small that only a slip makes it."""
    if 0 < abs(require_finite(field, value, unit)) < SMALLEST:
        raise WiringError(field, f"{value:g} {unit} is so small that it is a slip")
    return value


def require_not_negative(field: str, value: float, unit: str) -> float:
    """The value when it is finite and not below 0. Raises WiringError otherwise, or when it is
    so small without being 0 that only a slip makes it."""
    if require_finite(field, value, unit) < 0:
        raise WiringError(field, f"{value:g} {unit} is below 0")
    return value if value == 0 else require_positive(field, value, unit)
