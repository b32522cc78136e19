"""Where a speaker can sit, and where that is on the top view of the car.

Coordinates are fractions of the drawing (0..1): x from the car's left side, y from its front.
Left and right are as seen from the driving seat, whichever side the wheel is on.
"""

from typing import Final, Literal, NamedTuple

Side = Literal["left", "right", "centre"]
Zone = Literal["front", "second", "third", "boot"]


class Position(NamedTuple):
    """One mounting place."""

    id: str
    label: str
    zone: Zone
    side: Side
    x: float
    y: float


def _pair(stem: str, label: str, zone: Zone, x: float, y: float) -> tuple[Position, Position]:
    return (
        Position(f"{stem}_left", f"{label} left", zone, "left", x, y),
        Position(f"{stem}_right", f"{label} right", zone, "right", 1 - x, y),
    )


_ALL: Final = (
    *_pair("front_pillar", "Front pillar", "front", 0.26, 0.335),
    *_pair("front_dash", "Dash", "front", 0.36, 0.300),
    Position("front_dash_centre", "Dash centre", "front", "centre", 0.5, 0.295),
    *_pair("front_door_upper", "Front door upper", "front", 0.22, 0.385),
    *_pair("front_door", "Front door", "front", 0.22, 0.460),
    *_pair("front_seat", "Under front seat", "front", 0.36, 0.475),
    *_pair("rear_door_upper", "Rear door upper", "second", 0.22, 0.560),
    *_pair("rear_door", "Rear door", "second", 0.22, 0.625),
    *_pair("rear_side", "Rear side panel", "third", 0.24, 0.700),
    *_pair("rear_shelf", "Rear shelf", "second", 0.34, 0.755),
    Position("rear_shelf_centre", "Rear shelf centre", "second", "centre", 0.5, 0.755),
    *_pair("roof", "Roof", "third", 0.34, 0.690),
    *_pair("boot_side", "Boot side", "boot", 0.28, 0.850),
    Position("boot", "Boot", "boot", "centre", 0.5, 0.850),
    Position("spare_wheel", "Spare wheel well", "boot", "centre", 0.5, 0.910),
)

POSITIONS: Final[dict[str, Position]] = {position.id: position for position in _ALL}


def counterpart(position_id: str) -> str | None:
    """The same place on the other side of the car, or None for a centre position."""
    if position_id.endswith("_left"):
        return position_id.removesuffix("_left") + "_right"
    if position_id.endswith("_right"):
        return position_id.removesuffix("_right") + "_left"
    return None
