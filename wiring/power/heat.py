"""Heat balance of one cable lying straight in still air: an estimate for sizes no table covers.

Heat made in the conductor flows through the insulation (Fourier, cylinder) and leaves the surface
by natural convection (Churchill and Chu 1975, horizontal cylinder) and radiation
(Stefan-Boltzmann). Air properties are those of dry air at the film temperature (linear fits,
20 to 120 degC, from memory).
"""

from math import log, pi, sqrt
from typing import Final

from wiring.errors import WiringError, require_positive

STRANDED_DIAMETER_FACTOR: Final = 1.13
INSULATION_W_PER_M_K: Final = 0.17
EMISSIVITY: Final = 0.9
STEFAN_BOLTZMANN: Final = 5.670374e-8
GRAVITY: Final = 9.80665
PRANDTL_AIR: Final = 0.707


def surface_loss_w_per_m(diameter_mm: float, surface_c: float, ambient_c: float) -> float:
    """Heat a horizontal cylinder loses in still air [W/m], convection and radiation."""
    diameter = diameter_mm / 1000
    rise = surface_c - ambient_c
    if rise <= 0:
        return 0.0
    film_k = (surface_c + ambient_c) / 2 + 273.15
    conductivity = 0.0257 + 7.2e-5 * (film_k - 293.15)
    viscosity = 1.51e-5 + 9.4e-8 * (film_k - 293.15)
    rayleigh = GRAVITY * rise * diameter**3 / (film_k * viscosity**2) * PRANDTL_AIR
    spread = (1 + (0.559 / PRANDTL_AIR) ** (9 / 16)) ** (8 / 27)
    nusselt = (0.60 + 0.387 * rayleigh ** (1 / 6) / spread) ** 2
    convection = nusselt * conductivity / diameter * rise
    radiation = (
        EMISSIVITY * STEFAN_BOLTZMANN * ((surface_c + 273.15) ** 4 - (ambient_c + 273.15) ** 4)
    )
    return float(pi * diameter * (convection + radiation))


def heat_balance_a(
    *,
    conductor_mm: float,
    wall_mm: float,
    ohm_per_m: float,
    conductor_c: float,
    ambient_c: float,
) -> float:
    """Current that holds the conductor at `conductor_c` in still air [A]: an estimate.

    `conductor_mm` is the solid diameter of the size (strands take 13 % more room), `ohm_per_m`
    the resistance at `conductor_c`. Raises WiringError when the air is not the cooler one.
    """
    require_positive("conductor_mm", conductor_mm, "mm")
    require_positive("wall_mm", wall_mm, "mm")
    require_positive("ohm_per_m", ohm_per_m, "ohm/m")
    if ambient_c >= conductor_c:
        raise WiringError(
            "ambient_c", f"{ambient_c:g} degC is not below the conductor's {conductor_c:g} degC"
        )
    inner = conductor_mm * STRANDED_DIAMETER_FACTOR
    outer = inner + 2 * wall_mm
    through = log(outer / inner) / (2 * pi * INSULATION_W_PER_M_K)
    low, high = ambient_c, conductor_c
    for _ in range(60):
        surface = (low + high) / 2
        if surface_loss_w_per_m(outer, surface, ambient_c) * through < conductor_c - surface:
            low = surface
        else:
            high = surface
    return sqrt((conductor_c - low) / through / ohm_per_m)
