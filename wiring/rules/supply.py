"""Rules about the supply: what the alternator can keep up, what the parked car draws."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.errors import WiringError
from wiring.findings import Finding, Severity
from wiring.plan import Supply
from wiring.power.charging import (
    LITHIUM_NOTE,
    SOURCE,
    SURFACE_SOURCE,
    TABLE,
    ChargingReport,
    blocks,
    report_of,
    state_of_charge,
    surface_charge_v,
)
from wiring.power.demand import BASS_SOURCE, DUTY_SOURCE, demands
from wiring.power.facts import facts
from wiring.power.supply import spare_alternator_a

CHARGE_FIRST: Final = "Charge the battery, let it rest, and measure again before judging voltages."
REST_FIRST: Final = (
    "Let it rest for hours, or load it with the headlights for two minutes, and measure again."
)
LITHIUM_SOURCE: Final = "data sheets of lithium cells in general: common practice, no source"
KEY_OFF_SOURCE: Final = "the shop's limit; 50 mA is common practice, no governing document"


def _report(context: Context) -> ChargingReport | None:
    try:
        return report_of(context)
    except WiringError:
        return None


@rule("key-off-draw", "power", "caution", sources=(KEY_OFF_SOURCE,))
def key_off_draw(context: Context) -> Iterator[Finding]:
    """The parked car draws no more than the shop's limit after the job."""
    after = context.plan.supply.key_off_after_a
    limit = context.plan.assumptions.key_off_limit_a
    if after is None or after <= limit:
        return
    report = _report(context)
    stands = ""
    if report is not None and report.days is not None:
        stands = f"; starting is sure for about {report.days:.0f} days"
    yield Finding(
        "key-off-draw",
        "caution",
        f"Key off, the car draws {after * 1000:.0f} mA; the shop's limit is "
        f"{limit * 1000:.0f} mA{stands}.",
        ("supply",),
        "Wait until every control unit sleeps and measure again; then find what stays awake.",
        KEY_OFF_SOURCE,
        report.figures if report else (),
    )


@rule("key-off-added", "power", "caution", sources=(KEY_OFF_SOURCE,))
def key_off_added(context: Context) -> Iterator[Finding]:
    """The job added no more key-off draw than the shop's limit."""
    supply = context.plan.supply
    limit = context.plan.assumptions.key_off_limit_a
    if supply.key_off_after_a is None or supply.key_off_before_a is None:
        return
    added = supply.key_off_after_a - supply.key_off_before_a
    if added > limit:
        yield Finding(
            "key-off-added",
            "caution",
            f"The job added {added * 1000:.0f} mA of key-off draw "
            f"({supply.key_off_before_a * 1000:.0f} mA before, "
            f"{supply.key_off_after_a * 1000:.0f} mA after); the shop's limit is "
            f"{limit * 1000:.0f} mA.",
            ("supply",),
            "See that each amplifier and module sleeps with the key off.",
            KEY_OFF_SOURCE,
        )


@rule("charging-balance", "power", "caution", "note", sources=(DUTY_SOURCE, BASS_SOURCE))
def charging_balance(context: Context) -> Iterator[Finding]:
    """Long-term music leaves the alternator enough: cruising a caution, idling a note."""
    supply = context.plan.supply
    music = 0.0
    for each in demands(context).values():
        music += each.music_w
    music /= supply.charging_v
    cruising, idling = spare_alternator_a(supply, "cruising"), spare_alternator_a(supply, "idling")
    if cruising is not None and music > cruising:
        name, spare = "cruising", cruising
    elif idling is not None and music > idling:
        name, spare = "idling", idling
    else:
        return
    report = _report(context)
    yield Finding(
        "charging-balance",
        "caution" if name == "cruising" else "note",
        f"Engine {name}, the alternator has {spare:.0f} A to spare; music takes {music:.0f} A "
        "long-term, so the battery is emptied.",
        ("supply",),
        "Fit a larger alternator, or tell the customer to keep the level down."
        if name == "cruising"
        else "Tell the customer not to play loud for long with the engine idling.",
        DUTY_SOURCE,
        report.figures if report else (),
    )


@rule("battery-charge", "power", "caution", "note", sources=(SOURCE, SURFACE_SOURCE))
def battery_charge(context: Context) -> Iterator[Finding]:
    """The battery is rested and charged enough to judge readings by."""
    supply = context.plan.supply
    if supply.rest_v is None:
        return
    severity: Severity = "note"
    source, what_to_do = SOURCE, CHARGE_FIRST
    rest_v = supply.rest_v / blocks(supply)
    try:
        charge = state_of_charge(rest_v, supply.battery_chemistry, 20.0)
        over_v = surface_charge_v(rest_v, supply.battery_chemistry, 20.0)
    except WiringError as error:
        title, severity = f"The rest voltage is not believable: {error.reason}.", "caution"
    else:
        if over_v:
            title = _surface_title(supply, over_v)
            source, what_to_do = SURFACE_SOURCE, REST_FIRST
        elif charge < 0.75:
            rough = ""
            if supply.battery_chemistry == "lithium":
                rough = f" This is rough: {LITHIUM_NOTE}."
            title = (
                f"At {supply.rest_v:g} V the battery holds about {charge:.0%} of its charge.{rough}"
            )
        else:
            return
    yield Finding("battery-charge", severity, title, ("supply",), what_to_do, source)


def _surface_title(supply: Supply, over_v: float) -> str:
    each = " a battery" if blocks(supply) > 1 else ""
    return (
        f"At {supply.rest_v:g} V the battery reads {over_v:.1f} V{each} over a full one: it has "
        "not rested since it was charged, and this says nothing of its charge."
    )


@rule("lithium-charging", "power", "caution", sources=(LITHIUM_SOURCE,))
def lithium_charging(context: Context) -> Iterator[Finding]:
    """A lithium battery is charged through a converter that limits its current."""
    told = (
        f"Charge it through a converter that limits the current and stops below "
        f"{TABLE['least_charging_c_lithium']} degC, as its maker asks; see that its own "
        "electronics cannot cut the car off."
    )
    if context.plan.supply.battery_chemistry == "lithium":
        yield Finding(
            "lithium-charging",
            "caution",
            "The car's battery is a lithium one: it takes whatever the alternator gives, for long.",
            ("supply",),
            "Ask the makers of car and battery whether they allow it; know the alternator's "
            "long-term current.",
            LITHIUM_SOURCE,
        )
    parent = facts(context).net.feed.parent
    for device in context.plan.devices:
        if device.kind != "battery" or device.battery_chemistry != "lithium":
            continue
        node = device.id
        while node in parent:
            node = parent[node][1]
            behind = context.devices.get(node)
            if behind is not None and behind.kind == "converter":
                break
        else:
            if device.id in parent:
                yield Finding(
                    "lithium-charging",
                    "caution",
                    f"{device.name} is a lithium battery and nothing limits what it is charged "
                    "with.",
                    (device.id,),
                    told,
                    LITHIUM_SOURCE,
                )
