"""What arrays of frequencies and levels must be before a sum takes them."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from wiring.errors import SMALLEST, WiringError, require_not_negative

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


def shares(count: int, weights: Sequence[float] = ()) -> Floats:
    """What each of `count` counts for in a mean, adding up to 1; the same for each without weights.

    Raises WiringError on none, or on weights that do not match or are all 0.
    """
    if not count:
        raise WiringError("takes", "there is nothing to average yet")
    if weights and len(weights) != count:
        raise WiringError("weights", f"{len(weights)} weights for {count} takes")
    own = np.array([require_not_negative("weights", one, "") for one in weights or [1.0] * count])
    if own.sum() == 0:
        raise WiringError("weights", "all of them are 0")
    return np.asarray(own / own.sum())
