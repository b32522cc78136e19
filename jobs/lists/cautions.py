"""Cautions printed on every sheet for whoever owns the car or works on it next.

They defer to the vehicle maker, local codes and licensed practice, and are frozen with the sheet.
"""

from typing import Final

BATTERY: Final = {
    "kind": "battery",
    "title": "Battery",
    "text": "The added power feed stays live with the ignition off, up to its fuse. Before any "
    "work on it, disconnect the battery's negative terminal first and connect it last, as the "
    "vehicle maker's procedure says. Replace a fuse only by one of the same rating and body.",
}
AIRBAG: Final = {
    "kind": "airbag",
    "title": "Airbags and belt tensioners",
    "text": "Speakers and wires of this installation run near airbag circuits. Never probe, cut or "
    "tap those circuits. Disconnect the battery and wait as long as the vehicle maker says before "
    "working near them: there is no waiting time that suits every vehicle.",
}
HIGH_VOLTAGE: Final = {
    "kind": "high_voltage",
    "title": "High-voltage vehicle",
    "text": "Orange cables and their parts can kill. Only people qualified for this vehicle may "
    "work near them, by the vehicle maker's procedure.",
}
HEARING: Final = {
    "kind": "hearing",
    "title": "Hearing and driving",
    "text": "This system can play loud enough to harm hearing within minutes. Keep it low enough "
    "to hear warnings, sirens and the car's own chimes.",
}

ADVICE: Final = (
    "The figures on this sheet are advice to a professional, reached with the assumptions listed. "
    "The vehicle maker's instructions, local law and licensed practice come first."
)


def for_sheet(*, high_voltage: bool) -> dict[str, object]:
    """The cautions of one sheet, with the advice that stands below them."""
    listed = [BATTERY, AIRBAG, *([HIGH_VOLTAGE] if high_voltage else []), HEARING]
    return {"listed": listed, "advice": ADVICE}
