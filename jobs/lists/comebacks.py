"""The causes of comebacks that a shop may start its own list with; common practice, no source."""

from typing import Final

USUAL_CAUSES: Final = (
    "A part failed",
    "A connection came loose",
    "Wired otherwise than planned",
    "Noise or hum",
    "Rattle or buzz of the trim",
    "Tuning not to their liking",
    "A factory function is missing",
    "Battery goes flat",
    "Not our work",
)
