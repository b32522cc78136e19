"""Bounded non-linear least squares: Levenberg-Marquardt, steps projected on the bounds.

Each step solves (J'J + mu D) p = -J'r over the variables that are not held by a bound, mu by
Nielsen's rule (K. Madsen, H. B. Nielsen, O. Tingleff, Methods for Non-Linear Least Squares
Problems, 2nd edition, DTU 2004, section 3.2), D the squared lengths of the columns of J (J. J.
More, The Levenberg-Marquardt algorithm, Lecture Notes in Mathematics 630, 1978; both from memory).
Loading a general optimiser takes a fresh process the better part of a second, which is longer than
the fit; the tests hold this one against scipy.optimize.least_squares.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.tuning.arrays import Floats, require_numbers

FIRST_DAMPING: Final = 1e-2
_LEAST_DAMPING: Final = 1e-12
_LEAST_SCALE: Final = 1e-12


class Fitted(NamedTuple):
    """The values found, half the sum of their squared residuals, and how often these were worked
    out."""

    values: Floats
    cost: float
    evaluations: int


def least_squares(
    residuals: Callable[[Floats], Floats],
    slopes: Callable[[Floats], Floats],
    start: Floats,
    low: Floats,
    high: Floats,
    most_evaluations: int,
    tolerance: float = 1e-5,
) -> Fitted:
    """Values between `low` and `high` whose residuals are least, from `start` on.

    `slopes` gives the residuals' derivatives, a column a value. It ends where a step saves less
    than `tolerance` of the cost, moves less than that share of the values, or after so many
    evaluations. Raises WiringError on what is no number and on bounds that leave no room.
    """
    for name, own in (("start", start), ("low", low), ("high", high)):
        require_numbers(name, own)
    require_positive("most_evaluations", most_evaluations, "")
    require_positive("tolerance", tolerance, "")
    if np.any(low > high):
        raise WiringError("low", "a lower bound is above its upper one")
    values = np.clip(start, low, high)
    rest = residuals(values)
    cost = 0.5 * float(rest @ rest)
    damping, growth, evaluations = FIRST_DAMPING, 2.0, 1
    scale = np.full(values.size, _LEAST_SCALE)
    table = slopes(values)
    while evaluations < most_evaluations:
        normal, descent = table.T @ table, table.T @ rest
        scale = np.maximum(scale, np.diag(normal))
        held = ((values <= low) & (descent > 0)) | ((values >= high) & (descent < 0))
        free = np.flatnonzero(~held)
        if not free.size:
            break
        damped = normal[np.ix_(free, free)] + damping * np.diag(scale[free])
        moved = values.copy()
        moved[free] -= np.linalg.solve(damped, descent[free])
        moved = np.clip(moved, low, high)
        step = moved - values
        foretold = -float(descent @ step) - 0.5 * float(step @ normal @ step)
        new_rest = residuals(moved)
        evaluations += 1
        new_cost = 0.5 * float(new_rest @ new_rest)
        saved = cost - new_cost
        small = np.linalg.norm(step) <= tolerance * (tolerance + np.linalg.norm(values))
        if saved <= 0 or foretold <= 0:
            if small:
                break
            damping, growth = damping * growth, growth * 2
            continue
        ended = small or (saved < tolerance * cost and saved > 0.25 * foretold)
        values, rest, cost = moved, new_rest, new_cost
        if ended:
            break
        table = slopes(values)
        damping *= max(1 / 3, 1 - (2 * saved / foretold - 1) ** 3)
        damping, growth = max(damping, _LEAST_DAMPING), 2.0
    return Fitted(values, cost, evaluations)
