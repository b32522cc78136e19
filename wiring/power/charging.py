"""Charging balance, what the battery holds, and how long the car may stand.

Peukert's law is used in the form for a capacity given at a rate, t = T (C / (T I))^k with
T = 20 h: at the 20-hour current it gives 20 h. The bare form C / I^k does not.
"""

from typing import Any, Final, NamedTuple

from wiring import tables
from wiring.context import Context
from wiring.errors import WiringError, require_not_negative, require_positive
from wiring.findings import Figure
from wiring.plan import Plan, Supply
from wiring.power.demand import demands
from wiring.power.supply import spare_alternator_a

TABLE: Final = tables.load("battery")
SOURCE: Final[str] = f"{TABLE['source']}, {TABLE['status']}"
REFERENCE_C: Final[float] = TABLE["reference_c"]
RATED_HOURS: Final = 20.0
HOURS_PER_MONTH: Final = 730.5
NO_START_SOC: Final[float] = TABLE["no_start_state_of_charge"]
NO_START_SOURCE: Final[str] = TABLE["no_start_source"]
BLOCK_V: Final = 12.6
"""Nominal voltage of one 12 V battery; a 24 V vehicle has two of them in series."""
SURFACE_OVER_V: Final[float] = TABLE["surface_charge_over_v"]
SURFACE_SOURCE: Final[str] = TABLE["surface_charge_source"]
RESERVE_A: Final[float] = TABLE["reserve_a"]
RESERVE_SOURCE: Final[str] = TABLE["reserve_source"]
LITHIUM_NOTE: Final[str] = TABLE["lithium_note"]


def state_of_charge(rest_v: float, chemistry: str = "flooded", battery_c: float = 27.0) -> float:
    """State of charge [0..1] from the voltage of a rested battery.

    Linear between the table's points after the voltage is brought to 27 degC (1.3 mV/K for lead
    and acid); over the full-charge voltage is 1, under the empty one 0. Rested means hours without
    charge or load: surface charge reads high, which `surface_charge_v` tells. Raises WiringError
    on an unknown chemistry, or a voltage that no 12 V battery at rest shows.
    """
    row = _chemistry(chemistry)
    at_27_c = _at_reference_v(rest_v, chemistry, battery_c)
    return _between(at_27_c, row["rest_v"], TABLE["state_of_charge"])


def surface_charge_v(rest_v: float, chemistry: str = "flooded", battery_c: float = 27.0) -> float:
    """How far a rest voltage lies over that of a full battery [V], 0 within 0.1 V of it.

    A battery that reads so high has not rested: it shows its surface charge, not its charge.
    """
    full_v = _chemistry(chemistry)["rest_v"][-1]
    over_v = _at_reference_v(rest_v, chemistry, battery_c) - full_v
    return over_v if over_v > SURFACE_OVER_V else 0.0


def _at_reference_v(rest_v: float, chemistry: str, battery_c: float) -> float:
    _check_temperature(battery_c)
    if not 8.0 <= rest_v <= 14.6:
        raise WiringError("rest_v", f"{rest_v:g} V is not the rest voltage of a 12 V battery")
    return rest_v + _volt_per_k(chemistry) * (REFERENCE_C - battery_c)


def _volt_per_k(chemistry: str) -> float:
    return float(_chemistry(chemistry).get("rest_v_per_k", TABLE["rest_v_per_k"]))


def blocks(supply: Supply) -> int:
    """How many 12 V batteries stand in series: 2 in a 24 V vehicle."""
    return max(1, round(supply.nominal_v / BLOCK_V))


def reserve_capacity_ah(reserve_min: float, chemistry: str = "flooded") -> float:
    """Capacity at the 20-hour rate from the minutes at 25 A [Ah].

    Peukert's law, T (C / (T I))^k = t, solved for C = T I (t / T)^(1 / k).
    """
    require_positive("reserve_min", reserve_min, "min")
    exponent = float(_chemistry(chemistry)["peukert_exponent"])
    hours = reserve_min / 60.0
    if hours >= RATED_HOURS:
        return RESERVE_A * hours
    return float(RATED_HOURS * RESERVE_A * (hours / RATED_HOURS) ** (1.0 / exponent))


def capacity_ah(supply: Supply) -> float | None:
    """Capacity of the supply's battery [Ah]: as stated, else from its reserve capacity."""
    if supply.battery_ah is not None or supply.reserve_min is None:
        return supply.battery_ah
    return reserve_capacity_ah(supply.reserve_min, supply.battery_chemistry)


def capacity_at_ah(capacity_ah: float, battery_c: float) -> float:
    """Capacity at a battery temperature [Ah]: less in the cold, not more in the heat."""
    require_positive("capacity_ah", capacity_ah, "Ah")
    _check_temperature(battery_c)
    share = _between(battery_c, TABLE["capacity_at_c"], TABLE["capacity_fraction"])
    return capacity_ah * share


def peukert_hours(capacity_ah: float, current_a: float, exponent: float) -> float:
    """Hours a full battery lasts at a current [h]: 20 (C / (20 I))^k.

    Below the 20-hour current the capacity itself is the limit, C / I: the law would promise
    more than the battery holds.
    """
    require_positive("capacity_ah", capacity_ah, "Ah")
    require_positive("current_a", current_a, "A")
    if not 1.0 <= exponent <= 1.6:
        raise WiringError("exponent", f"{exponent:g} is outside 1 to 1.6")
    if current_a * RATED_HOURS <= capacity_ah:
        return capacity_ah / current_a
    return float(RATED_HOURS * (capacity_ah / (RATED_HOURS * current_a)) ** exponent)


def days_parked(usable_ah: float, key_off_a: float, self_discharge_a: float = 0.0) -> float:
    """Days until the usable charge is gone [d], infinite when nothing is drawn."""
    require_not_negative("usable_ah", usable_ah, "Ah")
    require_not_negative("key_off_a", key_off_a, "A")
    drawn = key_off_a + self_discharge_a
    return float("inf") if drawn == 0 else usable_ah / drawn / 24.0


def _chemistry(name: str) -> dict[str, Any]:
    chemistry = TABLE["chemistries"].get(name)
    if not isinstance(chemistry, dict):
        raise WiringError("chemistry", f"{name!r} is not one of {', '.join(TABLE['chemistries'])}")
    return chemistry


def _check_temperature(battery_c: float) -> None:
    if not -40 <= battery_c <= 80:
        raise WiringError("battery_c", f"{battery_c:g} degC is outside -40 to 80 degC")


def _between(value: float, points: list[float], answers: list[float]) -> float:
    if value <= points[0]:
        return answers[0]
    for index in range(1, len(points)):
        if value <= points[index]:
            share = (value - points[index - 1]) / (points[index] - points[index - 1])
            return answers[index - 1] + share * (answers[index] - answers[index - 1])
    return answers[-1]


class ChargingReport(NamedTuple):
    """Charging balance and standing time. Values the plan gives no ground for are None.

    Balances are what the alternator has left [A] after the car's own load and the audio
    system's long-term current; negative means the battery is being emptied. `days` is until
    starting is no longer sure, `playing_hours` with music and the engine off to the same point.
    """

    music_a: float
    full_a: float
    idle_balance_a: float | None
    cruise_balance_a: float | None
    charge: float | None
    usable_ah: float | None
    days: float | None
    playing_hours: float | None
    key_off_added_a: float | None
    figures: tuple[Figure, ...]


def report(plan: Plan, battery_c: float = 20.0) -> ChargingReport:
    """Charging balance at idle and cruising, charge left, days parked, hours of music."""
    return report_of(Context(plan), battery_c)


def report_of(context: Context, battery_c: float = 20.0) -> ChargingReport:
    """The same for a plan whose context is at hand. Raises WiringError on impossible readings."""
    supply = context.plan.supply
    draws = demands(context)
    music_w = sum(each.music_w for each in draws.values())
    music = music_w / supply.charging_v
    full = sum(each.full_w for each in draws.values()) / supply.charging_v
    figures: list[Figure] = []
    balances: list[float | None] = []
    for name, engine, limit in (
        ("idling", "idling", supply.alternator_idle_a),
        ("cruising", "cruising", supply.alternator_a),
    ):
        spare = spare_alternator_a(supply, "idling" if engine == "idling" else "cruising")
        balances.append(None if spare is None else spare - music)
        if spare is not None:
            figures.append(_balance_figure(name, limit or 0.0, supply.base_load_a, music))
    charge, usable = _charge(supply, battery_c, figures)
    days = None
    if usable is not None and supply.key_off_after_a is not None:
        days = _days(supply, usable, supply.key_off_after_a, figures)
    hours = _playing(supply, usable, music_w, battery_c, figures)
    added = None
    if supply.key_off_after_a is not None and supply.key_off_before_a is not None:
        added = supply.key_off_after_a - supply.key_off_before_a
        limit_a = context.plan.assumptions.key_off_limit_a
        figures.append(_key_off_figure(supply.key_off_before_a, supply.key_off_after_a, limit_a))
    return ChargingReport(
        music,
        full,
        balances[0],
        balances[1],
        charge,
        usable,
        days,
        hours,
        added,
        tuple(figures),
    )


def _key_off_figure(before_a: float, after_a: float, limit_a: float) -> Figure:
    before, after = before_a * 1000, after_a * 1000
    return Figure(
        f"key-off draw added, {before:.0f} mA before and {after:.0f} mA after",
        after - before,
        "mA",
        "draw after the job - draw before it",
        f"{after:.0f} mA - {before:.0f} mA",
        "the readings before and after the work",
        (f"the shop's limit is {limit_a * 1000:g} mA",),
    )


def _balance_figure(name: str, limit: float, base: float, music: float) -> Figure:
    return Figure(
        f"charging balance {name}",
        limit - base - music,
        "A",
        "alternator - car's own load - audio long-term",
        f"{limit:g} A - {base:g} A - {music:.1f} A",
        "current balance at the battery",
        ("car's own load: shop's assumption", "music duty: shop's assumption"),
    )


def _charge(
    supply: Supply, battery_c: float, figures: list[Figure]
) -> tuple[float | None, float | None]:
    if supply.rest_v is None:
        return None, None
    chemistry, count = supply.battery_chemistry, blocks(supply)
    rest_v = supply.rest_v / count
    charge = state_of_charge(rest_v, chemistry, battery_c)
    surface_v = surface_charge_v(rest_v, chemistry, battery_c)
    doubts = [LITHIUM_NOTE] if chemistry == "lithium" else []
    if surface_v:
        doubts.append(f"reads {surface_v:.2f} V over a full battery: at most full, not rested")
    figures.append(
        Figure(
            "state of charge",
            100 * charge,
            "%",
            "rest voltage brought to 27 degC, read in the table",
            f"{supply.rest_v:g} V"
            + (f" / {count} batteries in series" if count > 1 else "")
            + f" + {_volt_per_k(chemistry):g} x (27 - {battery_c:g}) V, {chemistry}",
            SOURCE,
            ("the battery has rested for hours", f"battery at {battery_c:g} degC", *doubts),
        )
    )
    stated_ah = capacity_ah(supply)
    if stated_ah is None:
        return charge, None
    if supply.battery_ah is None and supply.reserve_min is not None:
        figures.append(_reserve_figure(supply.reserve_min, chemistry, stated_ah))
    capacity = capacity_at_ah(stated_ah, battery_c)
    usable = max(0.0, charge - NO_START_SOC) * capacity
    figures.append(
        Figure(
            "charge to spare",
            usable,
            "Ah",
            "(state of charge - no-start limit) x capacity at temperature",
            f"({charge:.2f} - {NO_START_SOC:g}) x {capacity:.1f} Ah",
            SOURCE,
            (NO_START_SOURCE,),
        )
    )
    return charge, usable


def _reserve_figure(reserve_min: float, chemistry: str, stated_ah: float) -> Figure:
    exponent = float(TABLE["chemistries"][chemistry]["peukert_exponent"])
    return Figure(
        "capacity from the reserve capacity",
        stated_ah,
        "Ah",
        "C = 20 h x 25 A x (t / 20 h)^(1 / k)",
        f"20 x 25 x ({reserve_min / 60:.2f} / 20)^(1 / {exponent:g})",
        RESERVE_SOURCE,
        (f"Peukert's exponent {TABLE['status']}",),
    )


def _days(supply: Supply, usable: float, key_off_a: float, figures: list[Figure]) -> float:
    monthly = float(TABLE["chemistries"][supply.battery_chemistry]["self_discharge_per_month"])
    lost_a = (capacity_ah(supply) or 0.0) * monthly / HOURS_PER_MONTH
    days = days_parked(usable, key_off_a, lost_a)
    figures.append(
        Figure(
            "days parked until no-start",
            days,
            "d",
            "charge to spare / (key-off draw + self-discharge) / 24 h",
            f"{usable:.1f} Ah / ({key_off_a * 1000:.0f} + {lost_a * 1000:.0f}) mA / 24 h",
            SOURCE,
            (f"self-discharge {monthly:.0%} a month", NO_START_SOURCE),
        )
    )
    return days


def _playing(
    supply: Supply, usable: float | None, music_w: float, battery_c: float, figures: list[Figure]
) -> float | None:
    stated_ah = capacity_ah(supply)
    if usable is None or stated_ah is None or music_w <= 0:
        return None
    current = music_w / supply.nominal_v
    exponent = float(TABLE["chemistries"][supply.battery_chemistry]["peukert_exponent"])
    capacity = capacity_at_ah(stated_ah, battery_c)
    hours = peukert_hours(capacity, current, exponent) * usable / capacity
    figures.append(
        Figure(
            "hours of music, engine off",
            hours,
            "h",
            "20 (C / (20 I))^k x charge to spare / C",
            f"20 x ({capacity:.1f} / (20 x {current:.2f}))^{exponent:g} "
            f"x {usable:.1f} / {capacity:.1f}",
            f"Peukert's law at the 20 h rate; exponent {TABLE['status']}",
            (NO_START_SOURCE, "only the audio system draws"),
        )
    )
    return hours
