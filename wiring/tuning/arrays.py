"""What arrays of frequencies and levels must be before a sum takes them."""

from typing import Any

import numpy as np
import numpy.typing as npt

from wiring.errors import SMALLEST, WiringError

Floats = npt.NDArray[np.float64]


def require_numbers(field: str, values: Any) -> None:
    """Raise WiringError unless every value, real or complex, is a finite number."""
    if not np.isfinite(values).all():
        raise WiringError(field, "a value in it is no number")


def require_frequencies(field: str, values: Floats) -> Floats:
    """The frequencies [Hz] when all are finite and above 0. Raises WiringError otherwise."""
    require_numbers(field, values)
    if values.size and float(values.min()) < SMALLEST:
        raise WiringError(field, f"{float(values.min()):g} Hz is no frequency above 0")
    return values
