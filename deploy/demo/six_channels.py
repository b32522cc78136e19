"""The full case: a car with a factory amplifier gets six channels and a subwoofer.

[module M1] --L1, L2--> [amplifier A1, six channels with a processor]
    ch 1, 2 --> tweeters, dash           ch 3, 4 --> midranges, front doors
    ch 5, 6 --> coaxials, rear doors     L1, L2 --> [amplifier A2] --> two-coil subwoofer, boot
M1 wakes A1 and A2: there is no remote wire.
"""

from typing import Final

from deploy.demo import tuning
from deploy.demo.spec import Filter, Measured, PlacedSpeaker, Proof, Setting, Tried, Wiring, Work

_TWEETER_HIGH = Filter("linkwitz_riley", 4, 2500)
_MID_LOW = Filter("linkwitz_riley", 4, 2500)
_MID_HIGH = Filter("linkwitz_riley", 4, 80)
_REAR_HIGH = Filter("butterworth", 4, 90)
_SUB_LOW = Filter("linkwitz_riley", 4, 80)
_SUB_SAFE = Filter("butterworth", 4, 25)
_CAUTIOUS_HIGH = Filter("linkwitz_riley", 4, 5000)
_CAUTIOUS_MID = Filter("linkwitz_riley", 4, 150)


def _peak(hz: float, gain_db: float, q: float) -> dict[str, object]:
    return {"kind": "peaking", "frequency_hz": hz, "gain_db": gain_db, "q": q}


SPEAKERS: Final = (
    PlacedSpeaker("tweeter_left", "tweeter", "front_dash_left"),
    PlacedSpeaker("tweeter_right", "tweeter", "front_dash_right"),
    PlacedSpeaker("mid_left", "midrange", "front_door_left"),
    PlacedSpeaker("mid_right", "midrange", "front_door_right"),
    PlacedSpeaker("rear_left", "coaxial", "rear_door_left"),
    PlacedSpeaker("rear_right", "coaxial", "rear_door_right"),
    PlacedSpeaker("sub", "sub_dual", "boot", {"coil_joining": "parallel"}),
)

WIRINGS: Final = (
    Wiring(
        "M1.L1", feeds=("A1", 1), connector="Module line plug", fields={"note": "Left, cable white"}
    ),
    Wiring(
        "M1.L2", feeds=("A1", 2), connector="Module line plug", fields={"note": "Right, cable red"}
    ),
    Wiring(
        "A1.1",
        ("tweeter_left",),
        connector="Door plug, left",
        plus=("4", "GN", "WH"),
        minus=("5", "GN", "BK"),
        fields={
            "polarity_proved": True,
            "measured_load_ohm": 3.6,
            "note": "EQ differs: steering wheel side reflects at 6 kHz",
        },
        before=Setting(_CAUTIOUS_HIGH, level_db=-20.0),
        after=Setting(
            _TWEETER_HIGH, level_db=-4.5, delay_ms=2.68, sections=(_peak(6300, -2.0, 2.0),)
        ),
    ),
    Wiring(
        "A1.2",
        ("tweeter_right",),
        connector="Door plug, right",
        plus=("4", "VT", "WH"),
        minus=("5", "VT", "BK"),
        fields={
            "polarity_proved": True,
            "measured_load_ohm": 3.6,
            "note": "EQ differs: wide dash on this side",
        },
        before=Setting(_CAUTIOUS_HIGH, level_db=-20.0),
        after=Setting(
            _TWEETER_HIGH, level_db=-3.5, delay_ms=1.46, sections=(_peak(5900, -1.5, 2.0),)
        ),
    ),
    Wiring(
        "A1.3",
        ("mid_left",),
        connector="Door plug, left",
        plus=("12", "GY", "RD"),
        minus=("13", "GY", "BK"),
        fields={
            "polarity_proved": True,
            "measured_load_ohm": 3.4,
            "note": "EQ differs: door pocket rings at 160 Hz",
        },
        before=Setting(_CAUTIOUS_MID, _MID_LOW, level_db=-20.0),
        after=Setting(
            _MID_HIGH,
            _MID_LOW,
            level_db=-1.5,
            delay_ms=2.45,
            sections=(_peak(160, -3.0, 3.0), _peak(1250, 1.5, 1.4)),
        ),
    ),
    Wiring(
        "A1.4",
        ("mid_right",),
        connector="Door plug, right",
        plus=("12", "BU", "RD"),
        minus=("13", "BU", "BK"),
        fields={
            "polarity_proved": True,
            "measured_load_ohm": 3.5,
            "note": "EQ differs: glove box rings at 150 Hz",
        },
        before=Setting(_CAUTIOUS_MID, _MID_LOW, level_db=-20.0),
        after=Setting(
            _MID_HIGH,
            _MID_LOW,
            level_db=-0.5,
            delay_ms=1.22,
            sections=(_peak(150, -2.5, 3.0), _peak(1250, 1.0, 1.4)),
        ),
    ),
    Wiring(
        "A1.5",
        ("rear_left",),
        connector="Sill plug, left",
        plus=("8", "YE", "RD"),
        minus=("9", "YE", "BK"),
        fields={"polarity_proved": True, "measured_load_ohm": 3.5},
        before=Setting(_CAUTIOUS_MID, level_db=-24.0),
        after=Setting(_REAR_HIGH, level_db=-8.0, delay_ms=2.8),
    ),
    Wiring(
        "A1.6",
        ("rear_right",),
        connector="Sill plug, right",
        plus=("8", "OG", "RD"),
        minus=("9", "OG", "BK"),
        fields={"polarity_proved": True, "measured_load_ohm": 3.5},
        before=Setting(_CAUTIOUS_MID, level_db=-24.0),
        after=Setting(_REAR_HIGH, level_db=-8.0, delay_ms=1.75),
    ),
    Wiring(
        "A1.L1",
        feeds=("A2", 1),
        connector="Line plug, boot",
        before=Setting(None, _SUB_LOW, level_db=-20.0),
        after=Setting(_SUB_SAFE, _SUB_LOW, level_db=-2.0, sections=(_peak(45, -4.0, 2.5),)),
    ),
    Wiring(
        "A1.L2",
        feeds=("A2", 2),
        connector="Line plug, boot",
        before=Setting(None, _SUB_LOW, level_db=-20.0),
        after=Setting(_SUB_SAFE, _SUB_LOW, level_db=-2.0, sections=(_peak(45, -4.0, 2.5),)),
    ),
    Wiring(
        "A2.1",
        ("sub",),
        connector="Box terminal",
        plus=("1", "RD", ""),
        minus=("2", "BK", ""),
        fields={"polarity_proved": True, "measured_load_ohm": 1.8},
        before=Setting(level_db=-20.0),
        after=Setting(Filter("butterworth", 4, 25), Filter("linkwitz_riley", 4, 100)),
    ),
)

RUNS: Final = (
    {
        "from_node": "battery",
        "to_node": "block",
        "size": "35 mm2",
        "length_m": 1.8,
        "sheathed": True,
        "fuse_rating_a": 125.0,
        "fuse_body": "strip",
        "fuse_distance_m": 0.25,
        "note": "Battery in the boot well; fuse on the side wall, cover on.",
    },
    {
        "from_node": "block",
        "to_node": "A1",
        "size": "16 mm2",
        "length_m": 0.6,
        "fuse_rating_a": 60.0,
        "fuse_body": "strip",
        "fuse_distance_m": 0.05,
    },
    {
        "from_node": "block",
        "to_node": "A2",
        "size": "16 mm2",
        "length_m": 0.8,
        "fuse_rating_a": 60.0,
        "fuse_body": "strip",
        "fuse_distance_m": 0.05,
    },
    {
        "from_node": "block",
        "to_node": "M1",
        "size": "1.5 mm2",
        "length_m": 1.5,
        "fuse_rating_a": 5.0,
        "fuse_body": "blade",
        "fuse_distance_m": 0.1,
    },
    {"kind": "return", "from_node": "A1", "to_node": "body", "size": "16 mm2", "length_m": 0.5},
    {"kind": "return", "from_node": "A2", "to_node": "body", "size": "16 mm2", "length_m": 0.5},
    {"kind": "return", "from_node": "M1", "to_node": "body", "size": "1.5 mm2", "length_m": 0.6},
)

READINGS: Final = (
    Measured("Battery at rest", 12.62, 12.58),
    Measured("Charging voltage, engine running", 14.31, 14.22),
    Measured("Key-off draw, asleep", 0.018, 0.021, "Clamp meter, bay 1"),
    Measured("Voltage at A1 under load", None, 13.86),
    Measured("Output voltage of A1 at the test tone", None, 17.2),
    Measured("Voltage at A2 under load", None, 13.79),
    Measured("Output voltage of A2 at the test tone", None, 31.4),
)

SIX_CHANNELS: Final = Work(
    parts=(
        ("amp6", 1),
        ("amp1", 1),
        ("module", 1),
        ("tweeter", 2),
        ("midrange", 2),
        ("coaxial", 2),
        ("sub_dual", 1),
        ("cable_35", 2),
        ("cable_16", 3),
        ("strip_125", 1),
        ("strip_60", 2),
        ("holder", 1),
        ("block", 1),
        ("damping", 2),
    ),
    part_fields={
        "A1": {
            "serial": "W6-20418",
            "firmware": "2.4.1",
            "turn_on": "interface_module",
            "turn_on_by": "M1",
            "mount_place": "Under the right front seat",
            "fixings": "4 screws M6 in threaded inserts",
            "torque_nm": 9.0,
            "drilled": "4 holes of 9 mm in the seat frame's plate",
        },
        "A2": {
            "serial": "W1-77302",
            "turn_on": "interface_module",
            "turn_on_by": "M1",
            "mount_place": "Boot, behind the left trim",
            "fixings": "4 screws M5 with washers in the plywood board",
            "torque_nm": 4.0,
        },
        "M1": {
            "serial": "LF-00921",
            "firmware": "1.9.0 for Tamsel",
            "data_file": "Tamsel 2023, amplified, profile 4",
            "options": "Switches 1 and 3 on; chimes to the front left; retained power on",
            "firmware_before": "1.7.2",
            "written_with": "Bench computer 2",
            "written_cable": "Cable in the module's box",
            "backup": "Shop drive, folder Tamsel, LF-00921-before",
        },
    },
    adapters=(
        (
            "Factory amplifier plug",
            "Module plug A",
            (
                ("3", "1", "GN", "", "Front left plus"),
                ("4", "2", "GN", "BK", "Front left minus"),
                ("5", "3", "VT", "", "Front right plus"),
                ("6", "4", "VT", "BK", "Front right minus"),
                ("12", "9", "YE", "RD", "Switched supply, 1 A"),
            ),
        ),
    ),
    panels=(
        ("Door card, front left", 9, 4, "refitted"),
        ("Door card, front right", 9, 1, "refitted"),
        ("Door card, rear left", 8, 0, "refitted"),
        ("Door card, rear right", 8, 0, "refitted"),
        ("Boot trim, left", 7, 0, "refitted"),
        ("Sill trim, right", 6, 0, "refitted"),
    ),
    proofs=(
        Proof(
            "Oskerry fitting list",
            "OS-LF list 14, line 212",
            note="Tamsel from 2023, factory amplifier under the right seat. Firmware 1.9.0.",
        ),
        Proof(
            "Measured in the car",
            "",
            note="Door card off: 68 mm behind the front door, 52 mm behind the rear.",
            days=0,
        ),
    ),
    speakers=SPEAKERS,
    wirings=WIRINGS,
    runs=RUNS,
    supply={
        "battery_ah": 70.0,
        "battery_chemistry": "agm",
        "internal_resistance_mohm": 5.0,
        "alternator_a": 150.0,
        "alternator_idle_a": 80.0,
        "base_load_a": 35.0,
    },
    readings=READINGS,
    tuning=tuning.SIX_CHANNELS,
    functions=(
        Tried(
            "Seat belt chime",
            before_heard=("front_left", "62 dB(A)"),
            after_heard=("front_left", "61 dB(A)"),
        ),
        Tried(
            "Parking sensors, rear",
            before_heard=("rear", "normal"),
            after_heard=("rear", "normal"),
        ),
        Tried("Key left in or key missing warning", "not_fitted", "not_fitted"),
        Tried("Engine sound or noise cancelling", "not_fitted", "not_fitted"),
        Tried("Rear screens and headphones", "not_fitted", "not_fitted"),
        Tried("Radio reception", "works", "works", after_note="Weak station a touch clearer."),
    ),
    other_settings=(
        ("Head unit bass", "+4", "0"),
        ("Head unit treble", "+2", "0"),
        ("Head unit fade", "Middle", "Middle"),
        ("Head unit surround", "On", "Off"),
        ("Module output", "Not fitted", "4.0 V, chimes at −12 dB"),
        ("Volume at the matched level", "", "32 of 40"),
    ),
    notes=(
        "Factory amplifier unplugged and left in place, plug taped and labelled.",
        "Both front doors damped. Clips replaced: four left, one right.",
    ),
)
