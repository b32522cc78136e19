"""Names for places on the condition picture, so that a mark can be said in words.

Coordinates are fractions of the drawing `cars/outline.html` (0..1): x from the car's left side,
y from its front; the sides of the car lie folded out beside the top view.
"""

from typing import Final, NamedTuple


class Place(NamedTuple):
    """A panel of the outline and its middle."""

    id: str
    label: str
    x: float
    y: float


def _pair(stem: str, label: str, x: float, y: float) -> tuple[Place, Place]:
    return (
        Place(f"{stem}_left", f"{label}, left", x, y),
        Place(f"{stem}_right", f"{label}, right", 1 - x, y),
    )


_ALL: Final = (
    Place("front_bumper", "Front bumper", 0.5, 0.065),
    Place("bonnet", "Bonnet", 0.5, 0.17),
    Place("windscreen", "Windscreen", 0.5, 0.3),
    Place("roof", "Roof", 0.5, 0.52),
    Place("rear_window", "Rear window", 0.5, 0.735),
    Place("boot", "Boot lid", 0.5, 0.84),
    Place("rear_bumper", "Rear bumper", 0.5, 0.935),
    *_pair("front_wing", "Front wing", 0.2, 0.21),
    *_pair("front_wheel", "Front wheel", 0.09, 0.2375),
    *_pair("front_door", "Front door", 0.17, 0.42),
    *_pair("rear_door", "Rear door", 0.17, 0.6),
    *_pair("rear_wing", "Rear wing", 0.2, 0.75),
    *_pair("rear_wheel", "Rear wheel", 0.09, 0.7825),
)

PLACES: Final[dict[str, Place]] = {place.id: place for place in _ALL}

HEIGHT_TO_WIDTH: Final = 2.0
"""The drawing is twice as high as it is wide."""


def nearest(x: float, y: float) -> Place:
    """The place whose middle is nearest to a point of the drawing."""
    return min(_ALL, key=lambda place: (place.x - x) ** 2 + ((place.y - y) * HEIGHT_TO_WIDTH) ** 2)
