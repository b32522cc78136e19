"""Which channels of the source a speaker was heard to play, against where the plan has it."""

from collections.abc import Iterable
from typing import Final, NamedTuple

from wiring.plan import HeardSide, HeardZone, Speaker
from wiring.positions import POSITIONS, Side


class SourcePlace(NamedTuple):
    """Which channels of the source belong to a place: both sides at the centre, and front or rear
    as one likes where the zone is empty."""

    side: Side
    zone: HeardZone


class Apart(NamedTuple):
    """What was heard, and what the plan has instead, in the words that differ."""

    heard: str
    wanted: str


_ZONES: Final[dict[str, HeardZone]] = {"front": "front", "boot": ""}
"""A subwoofer in the boot may be fed from either."""


def source_place(speakers: Iterable[Speaker]) -> SourcePlace | None:
    """Where speakers of one channel are, None where they are not all at one place or nobody knows
    the place."""
    places = {
        SourcePlace(place.side, _ZONES.get(place.zone, "rear"))
        for one in speakers
        if (place := POSITIONS.get(one.position)) is not None
    }
    return places.pop() if len(places) == 1 else None


def place_apart(
    heard_side: HeardSide, heard_zone: HeardZone, side: Side, zone: HeardZone
) -> Apart | None:
    """How what was heard contradicts the plan; None where it does not, or nothing was told."""
    other_side = side != "centre" and heard_side not in ("", side)
    other_zone = zone != "" and heard_zone not in ("", zone)
    if other_side and other_zone:
        return Apart(f"{heard_zone} {heard_side}", f"{zone} {side}")
    if other_side:
        return Apart(heard_side, side)
    return Apart(heard_zone, zone) if other_zone else None
