"""What the tuning sums answer about the outputs of a factory amplifier."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, cast

import numpy as np

from jobs import wording
from jobs.models import FactoryOutput, FactorySum
from jobs.plan.measured import measurement_of
from jobs.plan.spoken import spoken
from wiring.drawings.plots import SCREEN, Line, Look, draw
from wiring.errors import WiringError
from wiring.tuning.capture import CaptureReport, Output, OutputSide, PairSum, examine
from wiring.tuning.measurements import nominal_hz

OCTAVES_HZ: Final = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)


def captured(
    outputs: Iterable[FactoryOutput], sums: Iterable[FactorySum]
) -> tuple[CaptureReport | None, str]:
    """The report on the measured outputs, or why there is none."""
    measured = [
        Output(str(row.pk), row.name, cast(OutputSide, row.side), _pairs(row.points))
        for row in outputs
        if row.points
    ]
    if not measured:
        return None, ""
    known = {one.id for one in measured}
    pairs = [
        PairSum(str(row.first_id), str(row.second_id), _pairs(row.points))
        for row in sums
        if row.points and {str(row.first_id), str(row.second_id)} <= known
    ]
    try:
        return examine(measured, pairs), ""
    except WiringError as error:
        return None, f"{wording.capital(error.reason)}."


def _pairs(points: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(hz), float(db)) for hz, db in points)


def capture_plot(
    outputs: Sequence[FactoryOutput],
    report: CaptureReport,
    ident: str = "capture",
    look: Look = SCREEN,
) -> str:
    """SVG of every output and each side's sum, at the level measured."""
    lines = [
        Line(row.name, *_columns(row.points), None, place)
        for place, row in enumerate(one for one in outputs if one.points)
    ]
    top = max(float(np.max(line.values)) for line in lines if line.values is not None)
    for side, total in report.sums_db.items():
        if not any(cover.side == side and len(cover.outputs) > 1 for cover in report.covers):
            continue
        shown = np.where(total > -100, total, np.nan)
        lines.append(Line(f"{side.capitalize()} sum", report.centres_hz, shown, None, len(lines)))
        top = max(top, float(np.nanmax(shown)))
    ceiling = 6.0 * np.ceil((top + 1) / 6)
    limits = (ceiling - 42.0, ceiling, 6.0)
    svg = draw(lines, "Level of the factory outputs", "dB", limits, ident=ident, look=look)
    return spoken(svg)


def _columns(points: Sequence[Sequence[float]]) -> tuple[Any, Any]:
    one = measurement_of(sorted(points, key=lambda point: point[0]))
    return one.frequencies_hz, one.levels_db


def band_name(hz: float) -> str:
    """ "63 Hz", "1.25 kHz"."""
    return wording.band(nominal_hz(hz))


def octave_levels(points: Sequence[Sequence[float]]) -> Mapping[float, float]:
    """Levels typed at octave bands, by nominal frequency, as far as the points are those."""
    return {float(hz): float(db) for hz, db in points if float(hz) in OCTAVES_HZ}
