"""The list of steps a new shop may start with, by kind of work.

Common practice, no source: each shop changes it to its own way. The vehicle maker's procedure
comes before any step here.
"""

from dataclasses import dataclass
from typing import Any, Final

from jobs.models import CautionKind, Gate, ReadingKind

BATTERY: Final = CautionKind.BATTERY.value
AIRBAG: Final = CautionKind.AIRBAG.value
HIGH_VOLTAGE: Final = CautionKind.HIGH_VOLTAGE.value
DRILLING: Final = CautionKind.DRILLING.value
LIFTING: Final = CautionKind.LIFTING.value
HEARING: Final = CautionKind.HEARING.value


@dataclass(frozen=True)
class UsualStep:
    """A step: its words, cautions, and what it asks for."""

    text: str
    cautions: tuple[str, ...] = ()
    photo: bool = False
    reading: tuple[str, str] = ("", "")
    gate: Gate = Gate.NONE
    itself: bool = False
    kind: str = ""

    def fields(self) -> dict[str, Any]:
        return {
            "text": self.text,
            "cautions": list(self.cautions),
            "photo_required": self.photo,
            "reading_label": self.reading[0],
            "reading_unit": self.reading[1],
            "reading_kind": self.kind,
            "gate": self.gate.value,
            "ticks_itself": self.itself,
        }


_READ: Final = UsualStep(
    "Read the job: wishes, parts list, fit proof. Every part is here.", gate=Gate.FIT_PROVED
)
_COVER: Final = UsualStep("Cover seats, wings and sills. Keys and remote away from the car.")
_FUNCTIONS: Final = UsualStep(
    "Try every factory function before touching anything.",
    gate=Gate.FUNCTIONS_BEFORE,
    itself=True,
)
_READINGS: Final = UsualStep(
    "Take the readings before the work: battery at rest, charging, key-off draw.",
    gate=Gate.READINGS_BEFORE,
    itself=True,
)
_DISCONNECT: Final = UsualStep(
    "Disconnect the battery, negative first. Wait as the vehicle maker says.",
    (BATTERY, AIRBAG, HIGH_VOLTAGE),
)
_OPEN_UP: Final = UsualStep(
    "Take the trim off. Photograph clips and plugs before unplugging them.", (AIRBAG,), photo=True
)
_HOLES: Final = UsualStep(
    "Drill and cut only after looking at both sides. Deburr, seal, protect the edge.",
    (DRILLING, HIGH_VOLTAGE),
)
_POWER: Final = UsualStep(
    "Run the power cable: grommet in every panel, clear of hot and moving parts.",
    (HIGH_VOLTAGE,),
    photo=True,
)
_FUSE: Final = UsualStep(
    "Fit the fuse holder as near the battery as the power plan says. Leave the fuse out.",
    photo=True,
)
_RETURN: Final = UsualStep(
    "Make the return connection on bare metal, tighten it, protect it from rust.",
    reading=("Resistance, return point to battery negative", "mΩ"),
)
_MOUNT: Final = UsualStep(
    "Mount amplifier and processor: tight, with air around them, nothing behind the screws.",
    (DRILLING, LIFTING),
)
_WIRES: Final = UsualStep("Label every wire at both ends as in the channel plan.", photo=True)
_TAP: Final = UsualStep(
    "Connect the module or plug to the factory amplifier; no factory wire cut without a photo.",
    (AIRBAG,),
    photo=True,
)
_SPEAKERS: Final = UsualStep(
    "Fit the speakers, check polarity and that nothing touches the cones or the window.", (AIRBAG,)
)
_LOADS: Final = UsualStep(
    "Measure the load on each amplifier channel at the plug; compare with the channel plan.",
    gate=Gate.LOADS,
    itself=True,
)
_CONNECT: Final = UsualStep(
    "Connect the battery, negative last, then put the fuse in.", (BATTERY,), gate=Gate.POWER_PLAN
)
_FIRST_SOUND: Final = UsualStep(
    "First sound, very low: each channel plays its own speaker and no other.",
    (HEARING,),
    gate=Gate.CHANNEL_PLAN,
)
_TUNE: Final = UsualStep(
    "Set crossovers, gains, delays and equaliser; keep the record.", (HEARING,)
)
_LOADED: Final = UsualStep(
    "Measure at the amplifier's terminals at full output.",
    (HEARING,),
    reading=("Voltage at the amplifier under load", "V"),
    kind=ReadingKind.AMPLIFIER_LOADED.value,
    itself=True,
)
_AFTER: Final = UsualStep(
    "Try every factory function again and take the readings after.",
    gate=Gate.CHECKS_AFTER,
    itself=True,
)
_CLOSE_UP: Final = UsualStep(
    "Refit the trim, count the tools, look for lamps and messages.", (AIRBAG,), photo=True
)
_GIVE_BACK: Final = UsualStep("Set clock, stations and seats back as found. Clean the car.")
_REPEAT: Final = UsualStep(
    "Make the complaint happen and write down how. Photograph or measure what shows it.", photo=True
)
_EARLIER: Final = UsualStep("Read the earlier job's sheet: plan, readings, tuning as left.")
_CAUSE: Final = UsualStep("Find the cause and write it in the notes before mending it.")
_PROVE: Final = UsualStep("Try again what the customer complained of, the same way as before.")

COMEBACK: Final = "Comeback"
"""The usual kind of work that a comeback is booked as."""

USUAL_LIST: Final[tuple[tuple[str, str, tuple[UsualStep, ...]], ...]] = (
    (
        "Full system",
        "Amplifiers, processor, speakers and power feed.",
        (
            _READ,
            _COVER,
            _FUNCTIONS,
            _READINGS,
            _DISCONNECT,
            _OPEN_UP,
            _HOLES,
            _POWER,
            _FUSE,
            _RETURN,
            _MOUNT,
            _TAP,
            _WIRES,
            _SPEAKERS,
            _LOADS,
            _CONNECT,
            _FIRST_SOUND,
            _TUNE,
            _LOADED,
            _AFTER,
            _CLOSE_UP,
            _GIVE_BACK,
        ),
    ),
    (
        "Amplifier on factory system",
        "A new amplifier behind the factory head unit; the speakers stay.",
        (
            _READ,
            _COVER,
            _FUNCTIONS,
            _READINGS,
            _DISCONNECT,
            _OPEN_UP,
            _POWER,
            _FUSE,
            _RETURN,
            _MOUNT,
            _TAP,
            _WIRES,
            _CONNECT,
            _FIRST_SOUND,
            _TUNE,
            _LOADED,
            _AFTER,
            _CLOSE_UP,
            _GIVE_BACK,
        ),
    ),
    (
        "Speakers only",
        "New speakers on the factory amplifier.",
        (
            _READ,
            _COVER,
            _FUNCTIONS,
            _READINGS,
            _OPEN_UP,
            _HOLES,
            _SPEAKERS,
            _WIRES,
            _FIRST_SOUND,
            _AFTER,
            _CLOSE_UP,
            _GIVE_BACK,
        ),
    ),
    (
        COMEBACK,
        "Something of an earlier job to put right.",
        (
            _EARLIER,
            _COVER,
            _REPEAT,
            _FUNCTIONS,
            _READINGS,
            _CAUSE,
            _DISCONNECT,
            _CONNECT,
            _PROVE,
            _AFTER,
            _CLOSE_UP,
            _GIVE_BACK,
        ),
    ),
)
