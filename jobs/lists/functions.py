"""The factory functions every job is asked to prove before the work and after it.

The list is common practice, no source; a job's own list can be added to on the bay sheet. Where a
function is a required warning, losing it can also break the law: 49 USC 30122 ("make inoperative")
binds repair businesses in the United States. That is information, not legal advice.
"""

from typing import Final, NamedTuple

from shop.models import VehicleModel


class FactoryFunction(NamedTuple):
    """One function: its group, its name and how to try it."""

    group: str
    name: str
    how: str
    high_voltage_only: bool = False


WARNINGS: Final = "Chimes and warnings"
PROMPTS: Final = "Prompts and calls"
ASSISTANCE: Final = "Driver assistance sounds"
CONTROLS: Final = "Controls"
COMFORT: Final = "Comfort"

FACTORY_FUNCTIONS: Final = (
    FactoryFunction(
        WARNINGS, "Seat belt chime", "Ignition on, belt open, weight on the driver's seat."
    ),
    FactoryFunction(WARNINGS, "Door open chime", "Key in or ignition on, open the driver's door."),
    FactoryFunction(WARNINGS, "Lights left on chime", "Lights on, ignition off, open the door."),
    FactoryFunction(WARNINGS, "Key left in or key missing warning", "As the owner's book says."),
    FactoryFunction(WARNINGS, "Parking brake warning", "Brake on, roll a little in the yard."),
    FactoryFunction(WARNINGS, "Indicator tick", "Left, right and hazard: heard and even."),
    FactoryFunction(WARNINGS, "Warning lamps", "No new lamp or message after start."),
    FactoryFunction(
        WARNINGS,
        "Pedestrian warning sound",
        "Outside the car at walking pace, somebody else drives.",
        high_voltage_only=True,
    ),
    FactoryFunction(
        WARNINGS, "Ready and charging sounds", "Switch on, plug in, unplug.", high_voltage_only=True
    ),
    FactoryFunction(PROMPTS, "Navigation prompts", "Start a route: spoken, from the right side."),
    FactoryFunction(PROMPTS, "Prompts lower the music", "Music on, wait for a prompt."),
    FactoryFunction(PROMPTS, "Hands-free call, hearing", "Call the shop: the caller is clear."),
    FactoryFunction(PROMPTS, "Hands-free call, microphone", "The caller hears you, no echo."),
    FactoryFunction(PROMPTS, "Ringtone", "Ring the paired phone."),
    FactoryFunction(PROMPTS, "Voice control", "Button or wake word: it answers and obeys."),
    FactoryFunction(PROMPTS, "Emergency call lamp", "Its lamp shows ready. Do not place a call."),
    FactoryFunction(ASSISTANCE, "Parking sensors, front", "Walk up to each sensor in turn."),
    FactoryFunction(ASSISTANCE, "Parking sensors, rear", "Reverse in, walk up to each sensor."),
    FactoryFunction(ASSISTANCE, "Parking sensor side", "The sound comes from the near side."),
    FactoryFunction(ASSISTANCE, "Reversing camera", "Reverse in: picture and guide lines."),
    FactoryFunction(ASSISTANCE, "Lane and collision warning sounds", "Settings menu test or demo."),
    FactoryFunction(ASSISTANCE, "Blind spot warning", "Lamps test at start; sound where fitted."),
    FactoryFunction(CONTROLS, "Volume knob", "From silent to loud, no step missing."),
    FactoryFunction(CONTROLS, "Steering wheel buttons", "Volume, next, source, call, voice."),
    FactoryFunction(CONTROLS, "Fade", "Front only, rear only, middle."),
    FactoryFunction(CONTROLS, "Balance", "Left only, right only, middle."),
    FactoryFunction(CONTROLS, "Bass and treble", "Each end of both heard."),
    FactoryFunction(CONTROLS, "Volume rises with speed", "Set to high, short drive."),
    FactoryFunction(CONTROLS, "Sources", "Radio, phone by radio and by cable, any disc or stick."),
    FactoryFunction(CONTROLS, "Radio reception", "A weak station and a strong one."),
    FactoryFunction(COMFORT, "Sound stops with the car", "Ignition off, open the door: silence."),
    FactoryFunction(COMFORT, "No thump, hiss or whine", "Switch on and off, engine on, lights on."),
    FactoryFunction(COMFORT, "Engine sound or noise cancelling", "Where fitted: drive, no drone."),
    FactoryFunction(COMFORT, "Rear screens and headphones", "Where fitted: picture and sound."),
    FactoryFunction(COMFORT, "Windows, locks and interior lamps", "In every door that was opened."),
    FactoryFunction(COMFORT, "Heater, seats and sockets", "Whatever shares a panel with the work."),
)


def functions_for(vehicle_model: VehicleModel) -> list[FactoryFunction]:
    """The functions to try on this model, in the order they are tried."""
    return [
        function
        for function in FACTORY_FUNCTIONS
        if vehicle_model.high_voltage or not function.high_voltage_only
    ]


UNHEARD: Final = frozenset({"Warning lamps", "Reversing camera"})
HEARD: Final = frozenset(
    one.name
    for one in FACTORY_FUNCTIONS
    if one.group in {WARNINGS, ASSISTANCE} and one.name not in UNHEARD
)
"""Signals of the car whose place and level are worth writing down: the work can move them."""
