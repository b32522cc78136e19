"""What the program of a product takes: lines of the catalogue as a part of the plan."""

from functools import lru_cache
from typing import Any, Final

import msgspec

from shop.models import Product
from shop.models.products import LIMIT_BOUNDS, LIMIT_FIELDS
from shop.program_limits import Range, WrongLimits, kinds_in, range_in, slopes_in
from wiring import plan as doc
from wiring.errors import WiringError
from wiring.filters.typing_in import (
    cannot_be_typed,
    delay_typed,
    limits_of,
    nearest,
    setting_typed,
)

_STEPS: Final = {
    "level_steps": "level_db",
    "delay_steps": "delay",
    "crossover_steps": "crossover_hz",
    "section_steps": "section_hz",
    "section_gain_steps": "gain_db",
    "section_width_steps": "width",
}
"""Each line of the catalogue that holds numbers, and the field of the plan it is."""


def limits_of_product(product: Product) -> doc.ProcessorLimits | None:
    """What a product's program takes; None where nothing is on record."""
    return limits_in(*(getattr(product, name) for name in LIMIT_FIELDS))


@lru_cache(maxsize=512)
def limits_in(*lines: Any) -> doc.ProcessorLimits | None:
    """The same of the values of `LIMIT_FIELDS`, in their order. A line that cannot be read counts
    as not known: the catalogue takes none such."""
    told = dict(zip(LIMIT_FIELDS, lines, strict=True))
    known = {name: value for name, value in told.items() if value not in (None, "")}
    if not known:
        return None
    facts: dict[str, Any] = {
        name: known[name]
        for name in ("typed_by", "delay_unit", "delay_speed_m_s", "width_counted")
        if name in known
    }
    for name, field in _STEPS.items():
        if name in known and (steps := _steps(known[name], *LIMIT_BOUNDS[name])) is not None:
            facts[field] = steps
    try:
        facts["slopes"] = tuple(
            msgspec.convert({"family": family, "orders": [db // 6 for db in slopes]}, doc.Slopes)
            for family, slopes in slopes_in(known.get("crossover_slopes", ""))
        )
        facts["section_kinds"] = kinds_in(known.get("section_kinds", ""))
    except WrongLimits:
        pass
    return doc.ProcessorLimits(**facts)


def _steps(line: str, low: float, high: float) -> doc.Steps | None:
    try:
        found: Range | None = range_in(line, low, high)
    except WrongLimits:
        return None
    return None if found is None else doc.Steps(*found)


LEVEL_DECIMALS: Final = 1
DELAY_DECIMALS: Final = 2
"""So finely levels [dB] and delays [ms] are proposed where nothing is known of a program."""


def _program_of(plan: doc.Plan, channel_id: str) -> doc.ProcessorLimits | None:
    """What the program takes that sets a channel."""
    owner = next((one.device for one in plan.channels if one.id == channel_id), "")
    return limits_of(next((device for device in plan.devices if device.id == owner), None))


def delay_that_fits(plan: doc.Plan, channel_id: str, delay_ms: float) -> float:
    """The delay [ms] nearest to a wanted one that a channel's device takes."""
    limits = _program_of(plan, channel_id)
    if limits is None or (limits.delay is None and limits.delay_unit == "ms"):
        return round(delay_ms, DELAY_DECIMALS)
    return round(delay_typed(limits, max(delay_ms, 0.0)).set_ms, 4)


def level_that_fits(plan: doc.Plan, channel_id: str, level_db: float) -> float:
    """The level [dB] nearest to a wanted one that a channel's device takes."""
    limits = _program_of(plan, channel_id)
    if limits is None or limits.level_db is None:
        return round(level_db, LEVEL_DECIMALS)
    return nearest(limits.level_db, level_db, "dB").value


def rounded_settings(plan: doc.Plan) -> dict[str, dict[str, Any]]:
    """Settings as they can be typed, by channel, where a figure cannot; only what differs. Filters
    a program has not are for a person to choose."""
    devices = {device.id: device for device in plan.devices}
    changes: dict[str, dict[str, Any]] = {}
    for channel in plan.channels:
        limits, setting = limits_of(devices.get(channel.device)), channel.setting
        if limits is None:
            continue
        try:
            figures = cannot_be_typed(limits, setting).figures
            typed = setting_typed(limits, setting)
        except WiringError:
            continue
        if not figures:
            continue
        own: dict[str, Any] = {
            "level_db": typed.level.value,
            "delay_ms": round(typed.delay.set_ms, 4),
        }
        for name, crossover in (("high_pass", typed.high_pass), ("low_pass", typed.low_pass)):
            if crossover is not None:
                own[f"{name}_hz"] = crossover.frequency.value
        own["sections"] = [
            {
                "kind": one.as_set.kind,
                "frequency_hz": one.as_set.frequency_hz,
                "gain_db": one.as_set.gain_db,
                "q": round(one.as_set.q, 6),
            }
            for one in typed.sections
        ]
        changes[channel.id] = own
    return changes
