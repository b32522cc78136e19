"""The error every sum raises on an input it cannot answer for."""


class WiringError(ValueError):
    """An input is outside what the sum can answer: `field` names it, `reason` says why."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


def require_positive(field: str, value: float, unit: str) -> float:
    """The value when it is finite and above 0. Raises WiringError otherwise."""
    if not 0 < value < float("inf"):
        raise WiringError(field, f"{value:g} {unit} is not above 0")
    return value


def require_not_negative(field: str, value: float, unit: str) -> float:
    """The value when it is finite and not below 0. Raises WiringError otherwise."""
    if not 0 <= value < float("inf"):
        raise WiringError(field, f"{value:g} {unit} is below 0")
    return value
