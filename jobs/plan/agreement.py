"""What is said where a response was measured otherwise than the settings give it.

Before and after were measured, and the settings as found and as left are known: so what the change
of the settings should have done is laid beside what was measured. The calculation knows the
settings alone; what else may have changed is said with it.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from jobs import wording
from jobs.models import MeasuredResponse
from jobs.plan.measured import averaged, is_outdated, playing_band_hz
from wiring import plan as doc
from wiring.channels.signal_path import driven, meetings, signal_path
from wiring.context import Context
from wiring.errors import WiringError
from wiring.filters.crossovers import crossing
from wiring.positions import POSITIONS
from wiring.tuning.agreement import Disagreement, disagreement, plays
from wiring.tuning.measurements import Floats, Measurement, nominal_hz
from wiring.tuning.response import plan_response

CABIN_HZ: Final = 300.0
"""Below this the cabin's own resonances decide what a microphone hears (common practice, no
source)."""

NEAR_CROSSOVER: Final = 2**0.5
"""Half an octave either way."""

ALWAYS: Final = (
    "A microphone that stood elsewhere, an open window or a setting that is noted and not in the "
    "device looks the same: measure again at the same places, then compare the settings."
)


class Told(NamedTuple):
    """What is said of it: how far off it is, what is known to explain it here, and what usually
    does."""

    said: str
    known: list[str]
    usual: list[str]


def told_of(
    before_rows: Sequence[MeasuredResponse],
    after_rows: Sequence[MeasuredResponse],
    before: doc.Plan | None,
    after: doc.Plan,
    playing: str,
    smoothing: int,
) -> Told | None:
    """What to say of one thing playing; None where measured and computed agree, or where one of
    the two is not known. Raises MeasurementError for responses that share no band."""
    was, now = (averaged(rows, smoothing) for rows in (before_rows, after_rows))
    if was is None or now is None or before is None:
        return None
    grid = was.frequencies_hz
    found, left = (_settings_db(plan, playing, grid) for plan in (before, after))
    if found is None or left is None:
        return None
    heard = plays(found, left)
    if np.count_nonzero(heard) < 3:
        return None
    low, high = playing_band_hz(after, playing)
    low, high = max(low, float(grid[heard][0])), min(high, float(grid[heard][-1]))
    if low >= high:
        return None
    computed = Measurement(grid, was.levels_db + left - found)
    try:
        off = disagreement(computed, now, low, high)
    except WiringError:
        return None
    if off is None:
        return None
    return Told(
        _said(off),
        [*_not_noted(before, after, playing), *_known(before_rows, after_rows, after, playing)],
        [*_usual(off, after, playing), ALWAYS],
    )


def _settings_db(plan: doc.Plan, playing: str, grid: Floats) -> Floats | None:
    """What the settings alone make of it [dB]; None where nothing plays."""
    response = plan_response(plan, grid)
    whole = {"all": response.whole} if response.whole is not None else {}
    curve = {**response.channels, **response.sides, **whole}.get(playing)
    if curve is None:
        return None
    levels = curve.magnitude_db
    return levels if np.all(np.isfinite(levels)) else None


def _said(off: Disagreement) -> str:
    more = "more" if off.worst_db > 0 else "less"
    return (
        f"Measured and calculated disagree: at {wording.hertz(nominal_hz(off.at_hz))} "
        f"{wording.quantity(abs(off.worst_db), 'dB', 1)} {more} was measured than the change of "
        f"the settings gives, {wording.quantity(off.rms_db, 'dB', 1)} on average (RMS) from "
        f"{wording.hertz(nominal_hz(off.low_hz))} to {wording.hertz(nominal_hz(off.high_hz))}, "
        "overall level left out."
    )


def _heard(context: Context, playing: str) -> list[tuple[doc.Channel, doc.Speaker]]:
    """The channels, each with a speaker, that are heard of one thing playing."""
    pairs = list(driven(context))
    if playing == "all":
        return pairs
    if playing in {"left", "right"}:
        of_side = {key for key, position in POSITIONS.items() if position.side == playing}
        return [pair for pair in pairs if pair[1].position in of_side]
    return [pair for pair in pairs if pair[0].id == playing]


def _not_noted(before: doc.Plan, after: doc.Plan, playing: str) -> list[str]:
    """Channels on the way that have settings now, and none were noted of them as found."""
    found, left = Context(before), Context(after)
    nothing = doc.Setting()
    on_the_way = dict.fromkeys(
        stage.id for channel, _ in _heard(left, playing) for stage in signal_path(left, channel)
    )
    unknown = [
        one
        for one in on_the_way
        if left.channels[one].setting != nothing
        and (one not in found.channels or found.channels[one].setting == nothing)
    ]
    if not unknown:
        return []
    return [
        f"How {wording.listed(unknown, 4)} was set before is not noted: the calculation takes it "
        "as set to nothing."
    ]


def _known(
    before_rows: Sequence[MeasuredResponse],
    after_rows: Sequence[MeasuredResponse],
    plan: doc.Plan,
    playing: str,
) -> list[str]:
    known = []
    if any(is_outdated(row, plan) for row in after_rows):
        known.append("Settings were changed after the last measurement: measure again.")
    fitted = [one for _, one in _heard(Context(plan), playing) if not one.factory]
    if fitted:
        names = wording.listed(dict.fromkeys(one.name for one in fitted), 3)
        known.append(
            f"Other speakers were fitted ({names}): the calculation knows the settings alone, and "
            "not how a speaker itself sounds."
        )
    counts = [len(rows) for rows in (before_rows, after_rows)]
    if counts[0] != counts[1]:
        known.append(
            f"It was measured at {wording.plural(counts[0], 'place')} before and at {counts[1]} "
            "after: only the same places can be compared."
        )
    return known


def _usual(off: Disagreement, plan: doc.Plan, playing: str) -> list[str]:
    usual = []
    context = Context(plan)
    if playing not in context.channels:
        for meeting in meetings(context):
            where = crossing(*meeting.filters(context))
            if where is None:
                continue
            ratio = max(where.frequency_hz, off.at_hz) / min(where.frequency_hz, off.at_hz)
            if ratio <= NEAR_CROSSOVER:
                usual.append(
                    f"Two speakers meet at {wording.hertz(round(where.frequency_hz))}: there "
                    "polarity and delay decide whether they add up."
                )
                break
    if off.at_hz < CABIN_HZ:
        usual.append(
            f"Below about {wording.hertz(CABIN_HZ)} the cabin and the places of the microphone "
            "decide (common practice, no source)."
        )
    return usual
