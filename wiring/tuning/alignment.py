"""Delays from distances: every driver's sound reaches the seat at one moment.

Speed of sound in dry air by ISO 9613-1:1993, 343.2 m/s at 20 degC, going as the square root of the
absolute temperature. Water vapour makes it faster: as an ideal mixture of air and vapour, c goes as
sqrt(gamma / M), vapour pressure by ISO 9613-1:1993, Annex B (from memory). Within 0.05 % of the
equation of O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, over its range of 0 to 30 degC.
"""

import math
from collections.abc import Callable, Mapping
from typing import Final

import msgspec

from wiring.errors import (
    SMALLEST,
    WiringError,
    require_not_negative,
    require_positive,
)

SPEED_AT_20_C_M_S: Final = 343.2
KELVIN_AT_20_C: Final = 293.15
ZERO_C_K: Final = 273.15
LOWEST_C: Final = -40.0
HIGHEST_C: Final = 60.0
LONGEST_M: Final = 10.0
SOURCE: Final = "ISO 9613-1:1993, speed of sound"
HUMID_SOURCE: Final = "ISO 9613-1:1993, Annex B, from memory; ideal mixture of air and vapour"
AIR_G_MOL: Final = 28.965
WATER_G_MOL: Final = 18.015
_GAS_J_MOL_K: Final = 8.314_462_6
_AIR_CP_J_MOL_K: Final = 29.12
_WATER_CP_J_MOL_K: Final = 33.6
"""Molar heat capacities at constant pressure near 20 degC: handbook figures, from memory."""


def speed_of_sound_m_s(air_c: float, humidity: float = 0.0) -> float:
    """Speed of sound in air [m/s] at `air_c` [degC], from -40 to 60, at sea level.

    `humidity` is the relative humidity, 0 (dry) to 1 (saturated). Raises WiringError.
    """
    if not LOWEST_C <= air_c <= HIGHEST_C:
        raise WiringError("air_c", f"{air_c:g} degC is outside {LOWEST_C:g} to {HIGHEST_C:g}")
    if not 0 <= humidity <= 1:
        raise WiringError("humidity", f"{humidity:g} is outside 0 to 1")
    kelvin = air_c + ZERO_C_K
    dry = SPEED_AT_20_C_M_S * math.sqrt(kelvin / KELVIN_AT_20_C)
    vapour = humidity * 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    mass = (AIR_G_MOL * (1 - vapour) + WATER_G_MOL * vapour) / AIR_G_MOL
    heat = _AIR_CP_J_MOL_K * (1 - vapour) + _WATER_CP_J_MOL_K * vapour
    gamma = heat / (heat - _GAS_J_MOL_K)
    gamma_dry = _AIR_CP_J_MOL_K / (_AIR_CP_J_MOL_K - _GAS_J_MOL_K)
    return dry * math.sqrt(gamma / gamma_dry / mass)


def humid_fraction(air_c: float) -> float:
    """How much faster sound is in saturated than in dry air: 0.0004 at -10 degC, 0.020 at 50."""
    return speed_of_sound_m_s(air_c, 1.0) / speed_of_sound_m_s(air_c) - 1


class Seat(msgspec.Struct, frozen=True):
    """A listening place: tape-measured distance to each driver [m] and how much it counts."""

    name: str
    distances_m: Mapping[str, float]
    weight: float = 1.0


class Delay(msgspec.Struct, frozen=True):
    """Delay of one driver.

    `exact_ms` is what the distances ask for, `set_ms` the nearest the device can do, `steps` that
    in device steps (0 when it has none), `samples` at the sample rate (0 when not given), `cm`
    the distance the set delay stands for. The residual is set minus exact.
    """

    id: str
    distance_m: float
    exact_ms: float
    set_ms: float
    steps: int
    samples: float
    cm: float
    residual_ms: float


class SeatError(msgspec.Struct, frozen=True):
    """How far apart the arrivals still are at one seat."""

    seat: str
    spread_ms: float
    spread_cm: float


class Alignment(msgspec.Struct, frozen=True):
    """Delays for all drivers and what is left at each seat.

    `humid_fraction` is how much faster sound would be in saturated air than in the air taken.
    """

    delays: tuple[Delay, ...]
    seats: tuple[SeatError, ...]
    speed_m_s: float
    air_c: float
    problems: tuple[str, ...] = ()
    source: str = SOURCE
    humid_fraction: float = 0.0


def align(
    seats: tuple[Seat, ...],
    air_c: float = 20.0,
    step_ms: float | None = None,
    sample_rate_hz: float | None = None,
    longest_ms: float | None = None,
    humidity: float = 0.0,
    nearest_ms: Mapping[str, Callable[[float], float]] | None = None,
) -> Alignment:
    """Delays that bring all drivers into step, the farthest undelayed.

    Several seats are weighed: the sum of squared differences of arrival over all seats is least
    when each driver's weighted mean distance is evened out. Without a step the delay is rounded
    to whole samples, without a sample rate not at all. `nearest_ms` says of a driver which delay
    its own device takes instead of a wanted one [ms]; such a driver follows no step. Raises
    WiringError on no seat, a seat that lacks a driver, a distance not from 0 to 10 m or weights
    that are all 0.
    """
    ids = _checked(seats)
    speed = speed_of_sound_m_s(air_c, humidity)
    if longest_ms is not None:
        require_not_negative("longest_ms", longest_ms, "ms")
    total = sum(seat.weight for seat in seats)
    mean = {
        each: sum(seat.weight * seat.distances_m[each] for seat in seats) / total for each in ids
    }
    farthest = max(mean.values())
    sample_ms = (
        0.0
        if sample_rate_hz is None
        else 1000 / require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    )
    grain = sample_ms if step_ms is None else require_positive("step_ms", step_ms, "ms")
    delays = []
    for each in ids:
        exact = (farthest - mean[each]) / speed * 1000
        steps = round(exact / grain) if grain else 0
        chosen = steps * grain if grain else exact
        if longest_ms is not None and chosen > longest_ms + 1e-9:
            steps = math.floor(longest_ms / grain + 1e-9) if grain else 0
            chosen = steps * grain if grain else longest_ms
        if each in (nearest_ms or {}):
            steps, chosen = 0, (nearest_ms or {})[each](exact)
        delays.append(
            Delay(
                each,
                mean[each],
                exact,
                chosen,
                steps,
                chosen / sample_ms if sample_ms else 0.0,
                chosen * speed / 10,
                chosen - exact,
            )
        )
    problems = tuple(
        f"{d.id} needs {d.exact_ms:.2f} ms and the device does {longest_ms:g} ms at most: "
        "delay the others less, or leave it early."
        for d in delays
        if longest_ms is not None and d.exact_ms > longest_ms + (grain or 1e-9)
    )
    errors = tuple(_seat_error(seat, delays, speed) for seat in seats)
    still_faster = speed_of_sound_m_s(air_c, 1.0) / speed - 1
    return Alignment(
        tuple(delays), errors, speed, air_c, problems, humid_fraction=max(still_faster, 0.0)
    )


def _checked(seats: tuple[Seat, ...]) -> tuple[str, ...]:
    if not seats:
        raise WiringError("seats", "no seat is chosen: tap one on the picture")
    ids = tuple(seats[0].distances_m)
    if not ids:
        raise WiringError("distances_m", "no distance is entered yet")
    for seat in seats:
        require_not_negative("weight", seat.weight, "")
        if set(seat.distances_m) != set(ids):
            missing = sorted(set(ids).symmetric_difference(seat.distances_m))
            raise WiringError(
                "distances_m", f"{seat.name} and {seats[0].name} differ in {missing[0]}"
            )
        for each, distance in seat.distances_m.items():
            if not 0 <= distance <= LONGEST_M or 0 < distance < SMALLEST:
                raise WiringError(
                    "distances_m",
                    f"{distance:g} m from {seat.name} to {each} is not from 0 to {LONGEST_M:g} m",
                )
    if not any(seat.weight for seat in seats):
        raise WiringError("weight", "every seat counts 0: let at least one count")
    return ids


def _seat_error(seat: Seat, delays: list[Delay], speed: float) -> SeatError:
    arrivals = {d.id: d.set_ms + seat.distances_m[d.id] / speed * 1000 for d in delays}
    spread = max(arrivals.values()) - min(arrivals.values())
    return SeatError(seat.name, spread, spread * speed / 10)
