"""Plans to test with: a good full one, a large one, and a way to change one part of either.

[battery] --2 AWG, 100 A--> [block] --4 AWG, 60 A--> [amp6] --6 channels--> front and rear
                                    --4 AWG, 60 A--> [mono] --1 channel---> dual-coil sub
[amp6] and [mono] --returns--> [body]        [module] wakes [amp6], [amp6] wakes [mono]
[amp6 line 1, 2] --> [mono input 1, 2]
"""

from typing import Any

import msgspec

from wiring.plan import (
    Channel,
    Conductor,
    Crossover,
    Device,
    Fuse,
    Lead,
    Plan,
    Rating,
    Run,
    Setting,
    Speaker,
    Supply,
    Wire,
)
from wiring.tuning.response import Complexes, Floats, plan_response

CROSSOVER_ORDER = 4


def low(frequency_hz: float) -> Crossover:
    return Crossover("linkwitz_riley", CROSSOVER_ORDER, frequency_hz)


def changed(plan: Plan, part: str, part_id: str, **changes: Any) -> Plan:
    """The plan with one device, speaker, channel or run changed: `changed(p, "runs", "main")`."""
    parts = getattr(plan, part)
    assert any(each.id == part_id for each in parts), f"no {part} {part_id}"
    made = tuple(
        msgspec.structs.replace(each, **changes) if each.id == part_id else each for each in parts
    )
    return msgspec.structs.replace(plan, **{part: made})


def without(plan: Plan, part: str, *part_ids: str) -> Plan:
    """The plan without some of its parts."""
    left = tuple(each for each in getattr(plan, part) if each.id not in part_ids)
    return msgspec.structs.replace(plan, **{part: left})


def assuming(plan: Plan, **changes: Any) -> Plan:
    """The plan under other assumptions."""
    made = msgspec.structs.replace(plan.assumptions, **changes)
    return msgspec.structs.replace(plan, assumptions=made)


def supplied(plan: Plan, **changes: Any) -> Plan:
    """The plan on another supply."""
    return msgspec.structs.replace(plan, supply=msgspec.structs.replace(plan.supply, **changes))


def amplifier(device_id: str, channels: int, **more: Any) -> Device:
    """A class D amplifier of 60 W into 4 ohm and 100 W into 2 ohm per channel."""
    values: dict[str, Any] = {
        "name": f"Amplifier {device_id}",
        "kind": "amplifier",
        "amplifier_channels": channels,
        "ratings": (Rating(4.0, 60.0), Rating(2.0, 100.0)),
        "min_load_ohm": 2.0,
        "amplifier_class": "D",
        "efficiency": 0.8,
        "regulated": True,
        "idle_current_a": 1.2,
        "min_supply_v": 9.5,
        "sample_rate_hz": 48_000.0,
        "delay_step_ms": 0.02,
        "max_sections": 12,
    }
    return Device(id=device_id, **(values | more))


def pair(stem: str, name: str, kind: Any, position: str, **more: Any) -> tuple[Speaker, Speaker]:
    """A left and a right speaker."""
    return (
        Speaker(f"{stem}_l", f"{name} left", kind, f"{position}_left", 4.0, **more),
        Speaker(f"{stem}_r", f"{name} right", kind, f"{position}_right", 4.0, **more),
    )


def wire(connector: str, cavity: int, base: str) -> Wire:
    """A proved pair at a plug: base colour, the negative with a black stripe."""
    return Wire(
        connector, Lead(str(cavity), base), Lead(str(cavity + 1), base, "BK"), polarity_proved=True
    )


COLOURS = ("WH", "GY", "GN", "VT", "BU", "BN")


def good_plan() -> Plan:
    """The full case: six channels and a subwoofer amplifier, woken by an interface module."""
    settings = (
        Setting(high_pass=low(3_000.0), delay_ms=2.0),
        Setting(high_pass=low(3_000.0)),
        Setting(high_pass=low(80.0), low_pass=low(3_000.0), delay_ms=1.5),
        Setting(high_pass=low(80.0), low_pass=low(3_000.0)),
        Setting(high_pass=low(80.0), level_db=-3.0),
        Setting(high_pass=low(80.0), level_db=-3.0),
    )
    fed = ("tweeter_l", "tweeter_r", "mid_l", "mid_r", "rear_l", "rear_r")
    channels = [
        Channel(
            f"amp6.{number}",
            "amp6",
            "amplifier",
            number,
            speakers=(speaker,),
            wire=wire("C1", 2 * number - 1, colour),
            setting=setting,
        )
        for number, (speaker, setting, colour) in enumerate(
            zip(fed, settings, COLOURS, strict=True), start=1
        )
    ]
    channels += [
        Channel(
            f"amp6.line{number}",
            "amp6",
            "line",
            number,
            feeds_device="mono",
            feeds_input=number,
            setting=Setting(low_pass=low(80.0)),
        )
        for number in (1, 2)
    ]
    channels.append(
        Channel(
            "mono.1",
            "mono",
            "amplifier",
            1,
            speakers=("sub",),
            wire=wire("S1", 1, "RD"),
        )
    )
    cable = Conductor("4 AWG")
    return Plan(
        devices=(
            Device("factory", "Factory amplifier", "factory_amplifier", line_outputs=6),
            Device("module", "Interface module", "interface", idle_current_a=0.3),
            amplifier(
                "amp6",
                6,
                line_outputs=2,
                line_output_v=4.0,
                turn_on="interface_module",
                turn_on_by="module",
                input_from="factory_line",
            ),
            amplifier(
                "mono",
                1,
                ratings=(Rating(4.0, 220.0), Rating(2.0, 400.0)),
                min_load_ohm=1.0,
                line_inputs=2,
                input_sensitivity_min_v=0.2,
                input_sensitivity_max_v=6.0,
                turn_on="remote_wire",
                turn_on_by="amp6",
            ),
        ),
        speakers=(
            *pair(
                "tweeter",
                "Tweeter",
                "tweeter",
                "front_pillar",
                power_w=80.0,
                min_high_pass_hz=2_500.0,
            ),
            *pair("mid", "Midrange", "midrange", "front_door", power_w=90.0, min_high_pass_hz=60.0),
            *pair("rear", "Rear coaxial", "coaxial", "rear_door", power_w=80.0),
            Speaker(
                "sub",
                "Subwoofer",
                "subwoofer",
                "boot",
                4.0,
                coils=2,
                coil_joining="parallel",
                power_w=500.0,
            ),
        ),
        channels=tuple(channels),
        runs=(
            Run(
                "main",
                "feed",
                "battery",
                "block",
                Conductor("1/0 AWG"),
                4.5,
                fuse=Fuse(100.0, "strip", 0.3),
            ),
            Run("to_amp6", "feed", "block", "amp6", cable, 0.8, fuse=Fuse(60.0, "strip", 0.1)),
            Run("to_mono", "feed", "block", "mono", cable, 0.8, fuse=Fuse(60.0, "strip", 0.1)),
            Run("from_amp6", "return", "amp6", "body", cable, 0.6),
            Run("from_mono", "return", "mono", "body", cable, 0.6),
        ),
        supply=Supply(
            battery_ah=70.0,
            rest_v=12.62,
            alternator_a=150.0,
            alternator_idle_a=80.0,
            key_off_before_a=0.021,
            key_off_after_a=0.028,
        ),
    )


def large_plan() -> Plan:
    """Twelve channels on three amplifiers, each with its own fused branch, all through a block."""
    devices = [
        Device("factory", "Factory amplifier", "factory_amplifier", line_outputs=8),
        Device("module", "Interface module", "interface", idle_current_a=0.3),
    ]
    speakers: list[Speaker] = []
    channels: list[Channel] = []
    main = Conductor("4/0 AWG")
    cable = Conductor("4 AWG")
    runs = [Run("main", "feed", "battery", "block", main, 4.5, fuse=Fuse(150.0, "strip", 0.3))]
    ways = (
        ("a", "tweeter", "front_pillar", "midrange", "front_door_upper"),
        ("b", "midbass", "front_door", "coaxial", "rear_door"),
        ("c", "full_range", "rear_side", "full_range", "roof"),
    )
    bands = {
        "tweeter": Setting(high_pass=low(3_000.0)),
        "midrange": Setting(high_pass=low(300.0), low_pass=low(3_000.0)),
        "midbass": Setting(high_pass=low(60.0), low_pass=low(300.0)),
        "coaxial": Setting(high_pass=low(80.0)),
        "full_range": Setting(high_pass=low(100.0)),
    }
    limits = {"tweeter": 2_500.0, "midrange": 200.0}
    for letter, first, first_place, second, second_place in ways:
        device_id = f"amp_{letter}"
        devices.append(
            amplifier(
                device_id,
                4,
                turn_on="interface_module",
                turn_on_by="module",
                input_from="factory_line",
            )
        )
        number = 0
        for kind, place in ((first, first_place), (second, second_place)):
            for speaker in pair(
                f"{place}",
                f"{kind} {place}",
                kind,
                place,
                power_w=90.0,
                min_high_pass_hz=limits.get(kind),
            ):
                number += 1
                speakers.append(speaker)
                channels.append(
                    Channel(
                        f"{device_id}.{number}",
                        device_id,
                        "amplifier",
                        number,
                        speakers=(speaker.id,),
                        wire=wire(f"C{letter}", 2 * number - 1, COLOURS[number]),
                        setting=bands[kind],
                    )
                )
        runs += [
            Run(
                f"to_{letter}",
                "feed",
                "block",
                device_id,
                cable,
                0.8,
                fuse=Fuse(50.0, "strip", 0.1),
            ),
            Run(f"from_{letter}", "return", device_id, "body", cable, 0.6),
        ]
    return Plan(
        devices=tuple(devices),
        speakers=tuple(speakers),
        channels=tuple(channels),
        runs=tuple(runs),
        supply=Supply(
            battery_ah=90.0,
            rest_v=12.65,
            alternator_a=180.0,
            alternator_idle_a=90.0,
            key_off_before_a=0.020,
            key_off_after_a=0.025,
        ),
    )


def setting_response(setting: Setting, frequencies_hz: Floats) -> Complexes:
    """The response of one setting: that of the one channel of a plan which has it."""
    plan = Plan(
        devices=(amplifier("a", 1),),
        speakers=(Speaker("s", "Speaker", "full_range", "boot", 4.0),),
        channels=(Channel("a.1", "a", "amplifier", 1, speakers=("s",), setting=setting),),
    )
    found = plan_response(plan, frequencies_hz)
    assert not found.problems
    return found.channels["a.1"].response
