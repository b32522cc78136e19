"""Delays from distances: every driver's sound reaches the seat at one moment.

Speed of sound by ISO 9613-1:1993, 343.2 m/s at 20 degC, going as the square root of the absolute
temperature. Humidity adds at most 0.4 % (a millimetre in a quarter metre) and is left out.
"""

import math
from collections.abc import Mapping
from typing import Final

import msgspec

from wiring.errors import WiringError, require_not_negative, require_positive

SPEED_AT_20_C_M_S: Final = 343.2
KELVIN_AT_20_C: Final = 293.15
ZERO_C_K: Final = 273.15
LOWEST_C: Final = -40.0
HIGHEST_C: Final = 60.0
LONGEST_M: Final = 10.0
SOURCE: Final = "ISO 9613-1:1993, speed of sound"


def speed_of_sound_m_s(air_c: float) -> float:
    """Speed of sound in air [m/s] at `air_c` [degC], from -40 to 60. Raises WiringError."""
    if not LOWEST_C <= air_c <= HIGHEST_C:
        raise WiringError("air_c", f"{air_c:g} degC is outside {LOWEST_C:g} to {HIGHEST_C:g}")
    return SPEED_AT_20_C_M_S * math.sqrt((air_c + ZERO_C_K) / KELVIN_AT_20_C)


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
    """Delays for all drivers and what is left at each seat."""

    delays: tuple[Delay, ...]
    seats: tuple[SeatError, ...]
    speed_m_s: float
    air_c: float
    problems: tuple[str, ...] = ()
    source: str = SOURCE


def align(
    seats: tuple[Seat, ...],
    air_c: float = 20.0,
    step_ms: float | None = None,
    sample_rate_hz: float | None = None,
    longest_ms: float | None = None,
) -> Alignment:
    """Delays that bring all drivers into step, the farthest undelayed.

    Several seats are weighed: the sum of squared differences of arrival over all seats is least
    when each driver's weighted mean distance is evened out. Without a step the delay is rounded
    to whole samples, without a sample rate not at all. Raises WiringError on no seat, a seat that
    lacks a driver, a distance not from 0 to 10 m or weights that are all 0.
    """
    ids = _checked(seats)
    speed = speed_of_sound_m_s(air_c)
    total = sum(seat.weight for seat in seats)
    mean = {
        each: sum(seat.weight * seat.distances_m[each] for seat in seats) / total for each in ids
    }
    farthest = max(mean.values())
    sample_ms = (
        1000 / require_positive("sample_rate_hz", sample_rate_hz, "Hz") if sample_rate_hz else 0.0
    )
    grain = require_positive("step_ms", step_ms, "ms") if step_ms else sample_ms
    delays = []
    for each in ids:
        exact = (farthest - mean[each]) / speed * 1000
        steps = round(exact / grain) if grain else 0
        chosen = steps * grain if grain else exact
        if longest_ms is not None and chosen > longest_ms + 1e-9:
            steps = math.floor(longest_ms / grain + 1e-9) if grain else 0
            chosen = steps * grain if grain else longest_ms
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
    return Alignment(tuple(delays), errors, speed, air_c, problems)


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
            if not 0 <= distance <= LONGEST_M:
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
