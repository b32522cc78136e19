"""The fit against scipy.optimize.least_squares (trust region reflective: Branch, Coleman and Li,
SIAM J. Sci. Comput. 21, 1999), on problems with and without bounds that hold."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import optimize

from wiring.errors import WiringError
from wiring.tuning.least_squares import least_squares


@pytest.mark.parametrize("seed", range(12))
def test_a_curve_is_fitted_as_scipy_fits_it(seed: int) -> None:
    """Two bumps of unknown place, height and width, of which bounds cut some: the same least, to
    a part in a hundred thousand of the cost."""
    random = np.random.default_rng(seed)
    x = np.linspace(0, 10, 120)
    true = np.array([2.5, 4.0, 0.7, 7.0, -3.0, 1.2]) + random.uniform(-0.4, 0.4, 6)
    low = np.array([0.0, -2.5, 0.3] * 2)
    high = np.array([10.0, 3.5, 2.0] * 2)

    def bumps(values: np.ndarray) -> np.ndarray:
        at, tall, wide = values.reshape(2, 3).T[:, :, None]
        return np.asarray(tall * np.exp(-(((x - at) / wide) ** 2)))

    y = bumps(true).sum(axis=0) + random.normal(0, 0.1, x.size)

    def residuals(values: np.ndarray) -> np.ndarray:
        return np.asarray(bumps(values).sum(axis=0) - y)

    def slopes(values: np.ndarray) -> np.ndarray:
        at, tall, wide = values.reshape(2, 3).T[:, :, None]
        each = bumps(values)
        off = (x - at) / wide
        rows = np.stack((2 * each * off / wide, each / tall, 2 * each * off**2 / wide), axis=1)
        return np.asarray(rows.reshape(6, -1).T)

    start = np.clip(true + random.uniform(-0.2, 0.2, 6), low + 0.01, high - 0.01)
    ours = least_squares(residuals, slopes, start, low, high, 200, 1e-9)
    theirs = optimize.least_squares(
        residuals, start, slopes, bounds=(low, high), x_scale="jac", ftol=1e-12, xtol=1e-12
    )
    assert np.all((ours.values >= low) & (ours.values <= high))
    assert ours.cost == pytest.approx(theirs.cost, rel=1e-5)
    assert ours.values == pytest.approx(theirs.x, abs=2e-3)
    assert ours.evaluations < 60


def test_a_fit_that_is_there_or_held_by_its_bounds_ends_at_once() -> None:
    def residuals(values: np.ndarray) -> np.ndarray:
        return values - 3.0

    def slopes(values: np.ndarray) -> np.ndarray:
        return np.eye(values.size)

    one = np.ones(2)
    held = least_squares(residuals, slopes, one, 0 * one, one, 50)
    assert (held.values.tolist(), held.evaluations) == ([1.0, 1.0], 1)
    free = least_squares(residuals, slopes, one, 0 * one, 5 * one, 50)
    assert free.values == pytest.approx(3 * one, abs=1e-3)
    with pytest.raises(WiringError, match="above"):
        least_squares(residuals, slopes, one, one, 0 * one, 50)
    with pytest.raises(WiringError):
        least_squares(residuals, slopes, np.array([np.nan, 1.0]), 0 * one, one, 50)


@pytest.mark.once
def test_a_first_proposal_loads_no_general_optimiser() -> None:
    """What a fresh process loads with its first proposal is what makes it slow."""
    code = (
        "import sys, numpy as np\n"
        "from wiring.tuning.fitting import propose\n"
        "from wiring.tuning.measurements import Measurement\n"
        "from wiring.tuning.targets import FLAT\n"
        "hz = np.geomspace(20, 20_000, 400)\n"
        "assert propose(Measurement(hz, 4 * np.sin(3 * np.log(hz))), FLAT).sections\n"
        "sys.exit(any(name.partition('.')[0] == 'scipy' for name in sys.modules))\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
