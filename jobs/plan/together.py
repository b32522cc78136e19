"""What recordings say of speakers that belong together: levels of pairs, sums where two meet."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import msgspec

from jobs.models import Recording
from jobs.plan.limits import level_that_fits
from jobs.plan.measured import label_of, playing_band_hz
from jobs.plan.tuning import Unit, kin_of
from wiring import plan as doc
from wiring.channels.signal_path import meetings
from wiring.context import Context
from wiring.drawings.plots import SCREEN, Line, Look, Mark, draw
from wiring.errors import WiringError
from wiring.filters.crossovers import crossing
from wiring.measure.meeting import meet, shared_bands_hz
from wiring.measure.proposals import MATCHED_DB, match_levels
from wiring.measure.take import Take
from wiring.tuning.arrays import Floats
from wiring.tuning.measurements import nominal_hz
from wiring.tuning.response import plan_response


def by_channel(recording: Recording, takes: Sequence[Take]) -> dict[str, Take]:
    """The takes by what played."""
    return {recording.order[one.number]: one for one in takes}


def pairs_heard(plan: doc.Plan, heard: Mapping[str, Take]) -> list[dict[str, Any]]:
    """How much louder one side of each pair is than the other, as it is kept.

    In third octaves of the band both play; pairs that share less than two of them are left out.
    """
    context = Context(plan)
    found: list[dict[str, Any]] = []
    for first, second in kin_of(plan).other_side.items():
        if first not in heard or second not in heard:
            continue
        if any({first, second} == {one["first"], one["second"]} for one in found):
            continue
        bands = [playing_band_hz(plan, one) for one in (first, second)]
        low, high = max(one[0] for one in bands), min(one[1] for one in bands)
        try:
            match = match_levels(
                label_of(context, first),
                label_of(context, second),
                (heard[first].measured, heard[second].measured),
                low,
                high,
            )
        except WiringError:
            continue
        found.append(
            {
                "first": first,
                "second": second,
                "over_db": round(match.over_db, 3),
                "low_hz": nominal_hz(match.low_hz),
                "high_hz": nominal_hz(match.high_hz),
                "said": match.said,
            }
        )
    return found


def meets_heard(plan: doc.Plan, heard: Mapping[str, Take]) -> list[dict[str, Any]]:
    """What two channels add up to where their filters cross, beside what they should, as it is
    kept; those that share no clock or too little of a band are left out."""
    context = Context(plan)
    found = []
    for one in meetings(context):
        low, high = one.low.id, one.high.id
        at = crossing(*one.filters(context))
        if low == high or low not in heard or high not in heard or at is None:
            continue
        centres = shared_bands_hz(at.frequency_hz)
        curves = plan_response(context, centres).channels
        if low not in curves or high not in curves or not _sounds(curves[low].undelayed):
            continue
        try:
            between = curves[high].undelayed / curves[low].undelayed
            meeting = meet(heard[low], heard[high], at.frequency_hz, between)
        except WiringError:
            continue
        if meeting is not None:
            plain = msgspec.to_builtins(meeting)
            curves_db = {
                name: [round(value, 3) for value in values]
                for name, values in plain.items()
                if isinstance(values, list | tuple)
            }
            found.append(
                {
                    **plain,
                    **curves_db,
                    "lower": low,
                    "upper": high,
                    "crossing_hz": round(at.frequency_hz, 1),
                }
            )
    return found


def _sounds(response: Any) -> bool:
    return bool((abs(response) > 0).all())


class LevelWanted(NamedTuple):
    """A level that matches one channel to its other side [dB]."""

    channel_id: str
    level_db: float
    now_db: float


class Pair(NamedTuple):
    """Two sides of a pair as they were heard, and the level that matches them."""

    first: str
    second: str
    said: str
    low_hz: float
    high_hz: float
    matched: bool
    wanted: tuple[LevelWanted, ...]

    @property
    def open(self) -> bool:
        """Whether a level is still another one than is wanted."""
        return any(one.level_db != one.now_db for one in self.wanted)


def pairs_of(
    recording: Recording,
    plan: doc.Plan,
    units: Mapping[str, Unit],
    taken_with: Mapping[str, Any],
) -> list[Pair]:
    """The pairs of a recording, the louder one of each lowered from where it stood then.

    `units` says which channels set the sound of each; sides that are set together have no level
    of their own.
    """
    now = {one.id: one.setting.level_db for one in plan.channels}
    pairs = []
    for one in recording.pairs:
        over = one["over_db"]
        louder, other = (one["first"], one["second"]) if over > 0 else (one["second"], one["first"])
        own = units[louder].channel_ids if louder in units else ()
        apart = other in units and not set(own) & set(units[other].channel_ids)
        matched = abs(over) <= MATCHED_DB
        wanted = tuple(
            LevelWanted(
                channel,
                level_that_fits(
                    plan, channel, taken_with[channel].get("level_db", 0.0) - abs(over)
                ),
                now[channel],
            )
            for channel in own
            if channel in taken_with and channel in now and apart and not matched
        )
        pairs.append(
            Pair(
                one["first"],
                one["second"],
                one["said"],
                one["low_hz"],
                one["high_hz"],
                matched,
                wanted,
            )
        )
    return pairs


def meeting_plot(
    one: Mapping[str, Any], names: tuple[str, str], ident: str, look: Look = SCREEN
) -> str:
    """SVG of two speakers where they meet: each thin, together bold, what they should be beside."""
    import numpy as np

    hz: Floats = np.array(one["frequencies_hz"])

    def levels(name: str) -> Floats:
        return np.array(one[name])

    lines = [
        Line(names[0], hz, None, levels("lower_db"), 1),
        Line(names[1], hz, None, levels("upper_db"), 2),
        Line("Both, measured", hz, levels("together_db"), None, 0),
        Line("Both, computed", hz, levels("computed_db"), None, 3),
    ]
    return draw(
        lines,
        "Two speakers where they meet",
        marks=[Mark(one["crossing_hz"], "crossover")],
        low_hz=float(hz[0]),
        high_hz=float(hz[-1]),
        ident=ident,
        look=look,
    )
