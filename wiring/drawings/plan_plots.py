"""Plots of a plan's settings: which curves, which quantity, before against after."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from wiring.channels.signal_path import meetings
from wiring.context import Context
from wiring.drawings import plots
from wiring.drawings.plots import Line, Mark
from wiring.filters.crossovers import crossing
from wiring.names import kind_name, position_name
from wiring.plan import Plan
from wiring.tuning.measurements import Floats, Measurement
from wiring.tuning.response import Curve, PlanResponse, phase_deg, plan_response
from wiring.tuning.targets import TargetCurve

Shown = Literal["channels", "places", "sides", "whole"]
Quantity = Literal["magnitude", "phase", "group_delay"]

_SAME: Final = 0.02
UNITS: Final[dict[Quantity, str]] = {"magnitude": "dB", "phase": "°", "group_delay": "ms"}
TITLES: Final[dict[Quantity, str]] = {
    "magnitude": "Level",
    "phase": "Phase",
    "group_delay": "Group delay",
}
SHOWN_NAMES: Final[dict[Shown, str]] = {
    "channels": "each channel",
    "places": "each place in the car",
    "sides": "each side",
    "whole": "all together",
}


def crossover_marks(plan: Plan | Context) -> list[Mark]:
    """Where neighbouring drivers cross, left and right at one frequency only once."""
    context = plan if isinstance(plan, Context) else Context(plan)
    marks: dict[int, Mark] = {}
    for meeting in meetings(context):
        where = crossing(*meeting.filters(context))
        if where is not None:
            label = f"{kind_name(meeting.lower).capitalize()} to {kind_name(meeting.upper)}"
            marks.setdefault(round(where.frequency_hz), Mark(where.frequency_hz, label))
    return list(marks.values())


def settings_plot(
    after: Plan,
    before: Plan | None = None,
    shown: Shown = "channels",
    quantity: Quantity = "magnitude",
    ident: str = "plot",
    channel_ids: Sequence[str] | None = None,
    look: plots.Look = plots.SCREEN,
) -> str:
    """SVG of what the settings do, `before` thin and `after` bold, crossover points marked.

    `channel_ids` picks channels when those are shown. Phases are without the delays, whose turns
    would hide everything else.
    """
    context = Context(after)
    now = plan_response(context)
    then = plan_response(before) if before is not None else None
    names = _channel_labels(context) if shown == "channels" else {}
    lines = _lines(now, then, shown, quantity, names, channel_ids)
    limits = None
    if quantity == "phase":
        limits = (-180.0, 180.0, 60.0)
    elif quantity == "group_delay":
        limits = plots.even_range(lines)
    without = ", delays left out" if quantity == "phase" else ""
    both = ", before (thin) and after (bold)" if before is not None else ""
    title = f"{TITLES[quantity]} of {SHOWN_NAMES[shown]}{without}{both}"
    marks = crossover_marks(context)
    return plots.draw(lines, title, UNITS[quantity], limits, marks, ident=ident, look=look)


def _channel_labels(context: Context) -> dict[str, str]:
    """Short label of each channel: its first speaker, else the channel's number."""
    labels = {}
    for channel in context.plan.channels:
        speakers = [context.speakers[s] for s in channel.speakers if s in context.speakers]
        if speakers:
            kind = kind_name(speakers[0]).capitalize()
            labels[channel.id] = f"{kind} {position_name(speakers[0].position)}"
            if len(speakers) > 1:
                labels[channel.id] += f" +{len(speakers) - 1}"
    return labels


def _curves(response: PlanResponse, shown: Shown) -> dict[str, Curve]:
    if shown == "channels":
        return response.channels
    if shown == "places":
        return response.places
    if shown == "sides":
        return response.sides
    return {} if response.whole is None else {"whole": response.whole}


def _values(curve: Curve | None, quantity: Quantity) -> Floats | None:
    if curve is None:
        return None
    if quantity == "magnitude":
        return curve.magnitude_db
    if quantity == "group_delay":
        return curve.group_delay_ms
    phase = phase_deg(curve.undelayed)
    phase[1:][np.abs(np.diff(phase)) > 180] = np.nan
    return phase


def _lines(
    now: PlanResponse,
    then: PlanResponse | None,
    shown: Shown,
    quantity: Quantity,
    names: dict[str, str],
    channel_ids: Sequence[str] | None,
) -> list[Line]:
    after = _curves(now, shown)
    before = _curves(then, shown) if then is not None else {}
    keys = list(dict.fromkeys((*after, *before)))
    if shown == "channels" and channel_ids is not None:
        keys = [key for key in keys if key in channel_ids]
    lines: list[Line] = []
    for key in keys:
        line = Line(
            names.get(key, (after.get(key) or before[key]).label),
            now.frequencies_hz,
            _values(after.get(key), quantity),
            _values(before.get(key), quantity),
            len(lines),
        )
        same = next((n for n, other in enumerate(lines) if _both_sides(other, line)), None)
        if same is None:
            lines.append(line)
        else:
            name = line.label.rsplit(" ", 1)[0]
            lines[same] = replace(lines[same], label=f"{name}, both sides")
    return lines


def _both_sides(first: Line, second: Line) -> bool:
    """Whether two lines are the left and the right of a pair and look the same."""
    stem, _, side = first.label.rpartition(" ")
    other_stem, _, other_side = second.label.rpartition(" ")
    if stem != other_stem or {side, other_side} != {"left", "right"}:
        return False
    return _same(first.values, second.values) and _same(first.before, second.before)


def _same(first: Floats | None, second: Floats | None) -> bool:
    if first is None or second is None:
        return first is second
    return bool(np.allclose(first, second, atol=_SAME, equal_nan=True))


def measured_plot(
    after: Measurement | None,
    before: Measurement | None = None,
    target: TargetCurve | None = None,
    target_offset_db: float = 0.0,
    title: str = "Measured response",
    proposed: Measurement | None = None,
    ident: str = "plot",
    names: tuple[str, str, str] = ("Before", "After", "Proposed"),
    look: plots.Look = plots.SCREEN,
) -> str:
    """SVG of measured responses: before thin, after bold, the target dotted, a proposal beside.

    Each is drawn at its own frequencies; `names` are what the three are called. Raises ValueError
    when there is nothing to draw.
    """
    lines = []
    for label, measured, style, thin in (
        (names[0], before, 1, True),
        (names[1], after, 0, False),
        (names[2], proposed, 3, False),
    ):
        if measured is not None:
            values = measured.levels_db
            lines.append(
                Line(
                    label,
                    measured.frequencies_hz,
                    None if thin else values,
                    values if thin else None,
                    style,
                )
            )
    if not lines:
        raise ValueError("there is no measurement to draw")
    wished = None
    if target is not None:
        grid = lines[0].frequencies_hz
        wished = Line(target.name, grid, target.at(grid) + target_offset_db)
    return plots.draw(lines, title, "dB", wished=wished, ident=ident, look=look)
