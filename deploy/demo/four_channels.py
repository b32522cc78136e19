"""Smaller demo works: four channels, two in a van, the same with a lost chime, and one with five
faults."""

from dataclasses import replace
from typing import Final

from deploy.demo.spec import Filter, Measured, PlacedSpeaker, Proof, Setting, Tried, Wiring, Work

_HIGH = Filter("butterworth", 4, 80)
_AS_FOUND = Setting(Filter("butterworth", 2, 120), level_db=-18.0)

_PLACES: Final = (
    ("front_left", "front_door_left", "Door plug, left", "BN", 0.0),
    ("front_right", "front_door_right", "Door plug, right", "GY", 0.0),
    ("rear_left", "rear_door_left", "Sill plug, left", "GN", -6.0),
    ("rear_right", "rear_door_right", "Sill plug, right", "VT", -6.0),
)


def _four_wirings() -> tuple[Wiring, ...]:
    lines = tuple(Wiring(f"M1.L{n}", feeds=("A1", n), connector="Line plug") for n in range(1, 5))
    channels = tuple(
        Wiring(
            f"A1.{number}",
            (key,),
            connector=connector,
            plus=("1", colour, "WH"),
            minus=("2", colour, "BK"),
            fields={"polarity_proved": True, "measured_load_ohm": 3.5},
            before=_AS_FOUND,
            after=Setting(_HIGH, level_db=level_db),
        )
        for number, (key, _, connector, colour, level_db) in enumerate(_PLACES, 1)
    )
    return lines + channels


def _readings(bay: int, *amplifiers: tuple[str, float, float]) -> tuple[Measured, ...]:
    return (
        Measured("Battery at rest", 12.55, 12.51),
        Measured("Charging voltage, engine running", 14.4, 14.3),
        Measured("Key-off draw, asleep", 0.022, 0.024, f"Clamp meter, bay {bay}"),
        *(
            reading
            for label, loaded_v, output_v in amplifiers
            for reading in (
                Measured(f"Voltage at {label} under load", None, loaded_v),
                Measured(f"Output voltage of {label} at the test tone", None, output_v),
            )
        ),
    )


_NOT_FITTED: Final = tuple(
    Tried(name, "not_fitted", "not_fitted")
    for name in (
        "Blind spot warning",
        "Engine sound or noise cancelling",
        "Rear screens and headphones",
        "Parking sensors, front",
    )
)

FOUR_CHANNELS: Final = Work(
    parts=(
        ("amp4", 1),
        ("module_small", 1),
        ("coaxial", 4),
        ("cable_16", 6),
        ("fuse_60", 1),
        ("holder", 1),
    ),
    part_fields={
        "A1": {"serial": "W4-50817", "turn_on": "interface_module", "turn_on_by": "M1"},
        "M1": {
            "serial": "LS-18840",
            "firmware": "3.2",
            "options": "Switch 2 on: wakes with the ignition",
            "written_with": "Tablet of bay 2",
        },
    },
    proofs=(Proof("Measured in the car", "", note="58 mm behind every door card, 4 Ω found."),),
    speakers=tuple(PlacedSpeaker(key, "coaxial", place) for key, place, *_ in _PLACES),
    wirings=_four_wirings(),
    runs=(
        {
            "from_node": "battery",
            "to_node": "A1",
            "size": "16 mm2",
            "length_m": 3.2,
            "place": "engine_bay",
            "sheathed": True,
            "fuse_rating_a": 60.0,
            "fuse_body": "bolt-in 51 mm",
            "fuse_distance_m": 0.3,
        },
        {
            "from_node": "A1",
            "to_node": "M1",
            "size": "1.5 mm2",
            "length_m": 0.4,
            "fuse_rating_a": 3.0,
            "fuse_body": "blade",
            "fuse_distance_m": 0.05,
        },
        {"kind": "return", "from_node": "A1", "to_node": "body", "size": "16 mm2", "length_m": 0.4},
        {
            "kind": "return",
            "from_node": "M1",
            "to_node": "body",
            "size": "1.5 mm2",
            "length_m": 0.4,
        },
    ),
    supply={
        "battery_ah": 60.0,
        "internal_resistance_mohm": 6.0,
        "alternator_a": 120.0,
        "alternator_idle_a": 65.0,
        "base_load_a": 30.0,
    },
    readings=_readings(2, ("A1", 13.7, 17.0)),
    functions=_NOT_FITTED,
    other_settings=(("Head unit bass", "+3", "0"), ("Head unit fade", "Front 2", "Middle")),
    notes=("Old door speakers handed to the customer in a box.",),
)

TWO_DOORS: Final = replace(
    FOUR_CHANNELS,
    parts=tuple((key, 2 if key == "coaxial" else count) for key, count in FOUR_CHANNELS.parts),
    part_fields={
        "A1": FOUR_CHANNELS.part_fields["A1"],
        "M1": {**FOUR_CHANNELS.part_fields["M1"], "written_with": "Tablet of bay 1"},
    },
    proofs=(Proof("Measured in the car", "", note="61 mm behind both door cards, 4 Ω found."),),
    speakers=FOUR_CHANNELS.speakers[:2],
    wirings=tuple(one for one in FOUR_CHANNELS.wirings if one.channel[-1] in "12"),
    readings=_readings(1, ("A1", 13.7, 17.0)),
    functions=(*_NOT_FITTED, Tried("Fade", "not_fitted", "not_fitted")),
    other_settings=(("Head unit bass", "+3", "0"),),
    notes=("Old door speakers handed over with the keys, in a box.",),
)
"""A panel van has nothing behind its bulkhead to play to: front doors alone."""

REVERSED_REAR: Final = replace(
    FOUR_CHANNELS,
    wirings=tuple(
        replace(one, after=Setting(_HIGH, level_db=-6.0, inverted=True))
        if one.channel == "A1.3"
        else one
        for one in FOUR_CHANNELS.wirings
    ),
    reasons={
        "sides-differ": "The car's own loom is reversed at the left sill plug. Heard and proved "
        "with the polarity signal; turned back in the amplifier rather than cut."
    },
)

LOST_CHIME: Final = replace(
    FOUR_CHANNELS,
    functions=(
        *_NOT_FITTED,
        Tried(
            "Seat belt chime",
            "works",
            "fault",
            after_note="Lamp shows, no sound. Came with the front left speaker before.",
        ),
    ),
    notes=("Chime wire not found at the module yet: asked the maker of the module.",),
)

FIVE_FAULTS: Final = Work(
    parts=(
        ("amp5", 1),
        ("amp1", 1),
        ("module_small", 1),
        ("coaxial", 4),
        ("tweeter", 1),
        ("sub_dual_low", 1),
        ("cable_35", 1),
        ("cable_16", 2),
        ("cable_10", 2),
    ),
    part_fields={
        "A1": {"serial": "W5-31170", "turn_on": "interface_module", "turn_on_by": "M1"},
        "A2": {"serial": "W1-77340", "turn_on": "interface_module", "turn_on_by": "M1"},
        "M1": {"serial": "LS-18902", "firmware": "3.2"},
    },
    proofs=(Proof("Measured in the car", "", note="60 mm behind the doors."),),
    speakers=(
        PlacedSpeaker("front_left", "coaxial", "front_door_left"),
        PlacedSpeaker("front_right", "coaxial", "front_door_right"),
        PlacedSpeaker("rear_left", "coaxial", "rear_door_left"),
        PlacedSpeaker("rear_right", "coaxial", "rear_door_right"),
        PlacedSpeaker("tweeter", "tweeter", "front_dash_centre"),
        PlacedSpeaker("sub", "sub_dual_low", "rear_shelf_centre", {"coil_joining": "parallel"}),
    ),
    wirings=(
        Wiring("M1.L1", feeds=("A1", 1), connector="Line plug"),
        Wiring("M1.L2", feeds=("A1", 2), connector="Line plug"),
        Wiring("M1.L3", feeds=("A2", 1), connector="Line plug, rear"),
        Wiring("M1.L4", feeds=("A2", 2), connector="Line plug, rear"),
        *(
            Wiring(
                f"A1.{number}",
                (key,),
                connector="Loom plug A",
                plus=(str(2 * number - 1), colour, "WH"),
                minus=(str(2 * number), colour, "BK"),
                fields={"polarity_proved": True},
                before=_AS_FOUND,
                after=after,
            )
            for number, key, colour, after in (
                (1, "front_right", "GY", Setting(_HIGH)),
                (2, "front_left", "BN", Setting(_HIGH)),
                (3, "rear_left", "GN", Setting(_HIGH, level_db=-6.0)),
                (5, "tweeter", "OG", Setting(level_db=-10.0)),
            )
        ),
        Wiring(
            "A2.1",
            ("sub",),
            connector="Box terminal",
            plus=("1", "RD", ""),
            minus=("2", "BK", ""),
            fields={"polarity_proved": True},
            after=Setting(Filter("butterworth", 4, 25), Filter("linkwitz_riley", 4, 80)),
        ),
    ),
    runs=(
        {
            "from_node": "battery",
            "to_node": "A1",
            "size": "10 mm2",
            "length_m": 1.4,
            "sheathed": True,
            "fuse_rating_a": 40.0,
            "fuse_body": "strip",
            "fuse_distance_m": 0.2,
        },
        {
            "from_node": "battery",
            "to_node": "A2",
            "size": "16 mm2",
            "length_m": 1.2,
            "sheathed": True,
            "fuse_rating_a": 150.0,
            "fuse_body": "strip",
            "fuse_distance_m": 0.2,
        },
        {"kind": "return", "from_node": "A1", "to_node": "body", "size": "10 mm2", "length_m": 0.5},
        {"kind": "return", "from_node": "A2", "to_node": "body", "size": "35 mm2", "length_m": 0.5},
    ),
    supply={
        "battery_ah": 80.0,
        "battery_chemistry": "agm",
        "internal_resistance_mohm": 4.5,
        "alternator_a": 180.0,
        "alternator_idle_a": 95.0,
        "base_load_a": 35.0,
    },
    readings=tuple(
        replace(one, after=None) for one in _readings(1, ("A1", 13.7, 17.0), ("A2", 13.5, 30.0))
    ),
    functions=_NOT_FITTED,
    notes=("Customer asks to hear the tweeter before he takes the car.",),
)

COMEBACK: Final = Work(
    parts=(),
    part_fields={},
    proofs=(Proof("Sheet of the first visit", "", note="Same parts, no change of fit."),),
    speakers=(),
    wirings=(),
    runs=(),
    supply={},
    readings=(Measured("Battery at rest", 12.49, None),),
    functions=(
        Tried(
            "No thump, hiss or whine",
            "fault",
            "",
            before_note="Whine rises with engine speed, rear left only.",
        ),
    ),
    notes=("Return at the seat bolt: paint under the eyelet. Cleaning it before anything else.",),
)
