"""Fuses: standard ratings by body, opening times, rating in warm air, and what a cable survives.

The time-current gates are the limits a standard allows: a fuse opens somewhere between the two.
A safety question takes the later limit, a nuisance question the earlier one.
"""

from functools import lru_cache
from itertools import pairwise
from math import exp, log, sqrt
from typing import Final, NamedTuple

from wiring import tables
from wiring.errors import WiringError, require_not_negative, require_positive

TABLE: Final = tables.load("fuses")
SOURCE: Final[str] = TABLE["source"]
STATUS: Final[str] = TABLE["status"]
ADIABATIC_SOURCE: Final[str] = TABLE["adiabatic"]["source"]
AMBIENT_SOURCE: Final[str] = TABLE["ambient"]["source"]
ADIABATIC_LIMIT_S: Final = 5.0
CONTINUOUS_FRACTION: Final = 0.8
CONTINUOUS_SOURCE: Final = "long-term load at most 80 % of the rating: common practice, no source"


class FuseError(WiringError):
    """A fuse body, rating or condition is outside what the tables answer for."""


class Gate(NamedTuple):
    """At this multiple of its rating a fuse opens not before and by these times [s].

    `opens_by_s` is infinite where the standard only says how long it must hold.
    """

    multiple: float
    opens_not_before_s: float
    opens_by_s: float


class Body(NamedTuple):
    """A kind of fuse. `breaking_a` is None where no figure is published; `standard` says whether a
    standard describes the body."""

    name: str
    ratings_a: tuple[float, ...]
    breaking_a: float | None
    cold_drop_v: float
    gates: tuple[Gate, ...]
    source: str

    @property
    def standard(self) -> bool:
        """Whether a standard describes this body, and with it what it breaks."""
        return self.source.startswith("ISO ")


def _read(name: str) -> Body:
    row = TABLE["bodies"][name]
    gates = tuple(
        Gate(multiple, before, float("inf") if by is None else by)
        for multiple, before, by in row["gates"]
    )
    return Body(
        name,
        tuple(float(each) for each in row["ratings_a"]),
        row["breaking_a"],
        row["cold_drop_v"],
        gates,
        row["source"],
    )


BODIES: Final[dict[str, Body]] = {name: _read(name) for name in TABLE["bodies"]}


def body(name: str) -> Body:
    """The fuse body of that name; capitals and outer spaces make no difference.

    Raises FuseError naming the bodies there are.
    """
    known = BODIES.get(name) or BODIES.get(name.strip().lower())
    if known is None:
        raise FuseError("body", f"{name!r} is no known fuse type: use {', '.join(BODIES)}")
    return known


def resistance_ohm(kind: Body, rating_a: float) -> float:
    """Resistance of a fuse loaded below its rating [ohm], from typical makers' data (memory)."""
    return kind.cold_drop_v / require_positive("rating_a", rating_a, "A")


def rating_at_ambient_a(rating_a: float, ambient_c: float) -> float:
    """Current a fuse carries in warm air [A]: 0.15 % less per kelvin over 23 degC.

    Raises FuseError outside -40 to 125 degC, where blade and bolt-in fuses are not rated.
    """
    if not -40 <= ambient_c <= 125:
        raise FuseError("ambient_c", f"{ambient_c:g} degC is outside -40 to 125 degC")
    over = max(0.0, ambient_c - TABLE["ambient"]["reference_c"])
    return float(rating_a * (1.0 - TABLE["ambient"]["fraction_per_k"] * over))


def opens_by_s(kind: Body, rating_a: float, current_a: float) -> float:
    """Latest time at which the fuse has opened [s], infinite when it may never open.

    Between gates the logarithms are interpolated; over the last gate the let-through I2t of
    that gate is kept, which the fuse does not exceed (it melts without losing heat).
    """
    multiple = current_a / require_positive("rating_a", rating_a, "A")
    gates = kind.gates
    if multiple < gates[0].multiple:
        return float("inf")
    for left, right in pairwise(gates):
        if multiple <= right.multiple:
            first, second = left.opens_by_s, right.opens_by_s
            if first == float("inf"):
                return second if multiple == right.multiple else float("inf")
            share = log(multiple / left.multiple) / log(right.multiple / left.multiple)
            return exp(log(first) + share * (log(second) - log(first)))
    last = gates[-1]
    return last.opens_by_s * (last.multiple / multiple) ** 2


@lru_cache(maxsize=256)
def adiabatic_k(metal: str, initial_c: float) -> float:
    """k of the adiabatic limit [A s^0.5 / mm2] from an initial conductor temperature.

    The insulation may reach 160 degC for a short time up to its 105 degC class (PVC), 250 degC
    above (cross-linked). Raises FuseError when the start is not below that.
    """
    row = TABLE["adiabatic"].get(metal)
    if not isinstance(row, list):
        raise FuseError("metal", f"{metal!r} is no known metal")
    final_c = next(top for up_to, top in TABLE["adiabatic"]["final_c"] if initial_c <= up_to)
    return adiabatic_k_between(metal, initial_c, final_c)


def adiabatic_k_between(metal: str, initial_c: float, final_c: float) -> float:
    """k of the adiabatic limit [A s^0.5 / mm2] between two conductor temperatures [degC]."""
    if final_c <= initial_c:
        raise FuseError("final_c", f"{final_c:g} degC is not above the initial {initial_c:g} degC")
    constant, beta = TABLE["adiabatic"][metal]
    return float(constant * sqrt(log((beta + final_c) / (beta + initial_c))))


def adiabatic_current_a(k: float, area_mm2: float, time_s: float) -> float:
    """Current a conductor survives for a short time [A]: k S / sqrt(t), for t up to 5 s."""
    require_positive("area_mm2", area_mm2, "mm2")
    require_positive("time_s", time_s, "s")
    if time_s > ADIABATIC_LIMIT_S:
        raise FuseError("time_s", f"the adiabatic limit holds to 5 s, not {time_s:g} s")
    return k * area_mm2 / sqrt(time_s)


def short_circuit_a(voltage_v: float, resistance_ohm: float) -> float:
    """Current of a dead short through a resistance [A]."""
    require_not_negative("voltage_v", voltage_v, "V")
    return voltage_v / require_positive("resistance_ohm", resistance_ohm, "ohm")
