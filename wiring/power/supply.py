"""The supply at the battery terminals: battery with internal resistance, alternator with a limit.

Engine running, the alternator holds the charging voltage until the audio system takes what is
left of its output after the car's own load. Beyond that the battery helps, at its own voltage
less its internal drop. Between the two the alternator alone feeds at its limit and the voltage
settles in between; a full battery neither takes nor gives there.
"""

from typing import Literal, NamedTuple

from wiring.plan import Supply

Engine = Literal["cruising", "idling", "off"]


class Source(NamedTuple):
    """A voltage behind a resistance, good from one total current to another."""

    open_v: float
    resistance_ohm: float
    regime: Literal["charging", "alternator at its limit", "battery helps", "battery"]


def spare_alternator_a(supply: Supply, engine: Engine) -> float | None:
    """Alternator current left for audio [A], None when no alternator figure limits it."""
    limit = supply.alternator_a if engine == "cruising" else supply.alternator_idle_a
    return None if limit is None else limit - supply.base_load_a


def battery_source(supply: Supply) -> Source:
    """The battery alone, engine off; the car's own load is not counted."""
    return Source(supply.nominal_v, supply.internal_resistance_ohm, "battery")


def charging_source(supply: Supply) -> Source:
    """The alternator in regulation."""
    return Source(supply.charging_v, 0.0, "charging")


def helped_source(supply: Supply, spare_a: float) -> Source:
    """Alternator at its limit, the battery giving the rest: U = Un - Ri (I - spare)."""
    own_v = min(supply.nominal_v, supply.charging_v)
    resistance = supply.internal_resistance_ohm
    return Source(own_v + resistance * spare_a, resistance, "battery helps")
