"""What the tuning sums answer about measured responses: curves, distances, proposals."""

from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np

from jobs import wording
from jobs.models import MeasuredResponse, ProposalLimits, ShopTarget
from jobs.plan.spoken import spoken
from jobs.plan.tuning import processing_channels, with_settings
from wiring import plan as doc
from wiring.channels.signal_path import band_hz, driven, signal_path
from wiring.context import Context
from wiring.drawings.plan_plots import measured_plot
from wiring.drawings.plots import SCREEN, Line, Look, draw
from wiring.errors import WiringError as WiringError
from wiring.filters.biquads import ASSUMED_SAMPLE_RATE_HZ
from wiring.filters.typing_in import limits_of, section_typed
from wiring.measure.tolerance import ToleranceVerdict, judge_tolerance
from wiring.names import speaker_name
from wiring.tuning.fitting import BAND_MARGIN, Limits, Proposal, propose as fit
from wiring.tuning.measurements import (
    FEWEST_POINTS,
    Measurement,
    MeasurementError as MeasurementError,
    Spread,
    average,
    decode as decode,
    read_text as read_text,
    smooth,
    spread,
    weights_of,
)
from wiring.tuning.response import decibels, through
from wiring.tuning.targets import (
    FLAT,
    SUPPLIED as SUPPLIED,
    Change,
    Distance,
    TargetCurve,
    check as check_target,
    compare,
    distance,
)
from wiring.tuning.within_processor import limits_within

SAME_DB: Final = 0.05
WHOLE_BAND_HZ: Final = (20.0, 20_000.0)


# Reading and averaging ----------------------------------------------------------------------


class Read(NamedTuple):
    """What came of an uploaded text: points as [Hz, dB], or problems line by line."""

    points: list[list[float]]
    problems: list[dict[str, Any]]
    notes: list[str]


def read(text: str | bytes) -> Read:
    """Read two-column text for keeping."""
    try:
        response = read_text(text)
    except MeasurementError as error:
        return Read([], [msgspec.to_builtins(one) for one in error.problems], [])
    return Read(points_of(response), [], list(response.notes))


def points_of(measurement: Measurement) -> list[list[float]]:
    """A measurement as the database keeps it: points of [Hz, dB]."""
    pairs = zip(measurement.frequencies_hz.tolist(), measurement.levels_db.tolist(), strict=True)
    return [[hz, db] for hz, db in pairs]


def measurement_of(points: Sequence[Sequence[float]], name: str = "") -> Measurement:
    """Points kept in the database as a measurement."""
    table = np.array(points, dtype=np.float64)
    return Measurement(table[:, 0], table[:, 1], name)


def counted(rows: Iterable[MeasuredResponse], phase: str, playing: str) -> list[MeasuredResponse]:
    """The readable ones that count, of one phase and one thing playing."""
    return [
        row
        for row in rows
        if row.counts and row.points and row.phase == phase and row.playing == playing
    ]


class Averaged(NamedTuple):
    """What an average was made of, and how far its parts are from each other."""

    places: list[str]
    spread: Spread


def made_of(rows: Sequence[MeasuredResponse]) -> Averaged | None:
    """The sources of an average of several responses; None of fewer, or where nothing is shared."""
    apart = spread([measurement_of(row.points, row.place) for row in rows])
    if apart is None:
        return None
    return Averaged([f"{row.place} ({row.file_name})" for row in rows], apart)


def averaged(rows: Sequence[MeasuredResponse], smoothing: int) -> Measurement | None:
    """Mean power of the places, smoothed; None when there are none. Raises MeasurementError."""
    if not rows:
        return None
    return smooth(_mean(rows), smoothing)


def _mean(rows: Sequence[MeasuredResponse], moved: Sequence[Measurement] = ()) -> Measurement:
    """Mean power of the places, each counting once however many takes of it count; of what was
    worked out from the rows one by one, else of the rows. Raises MeasurementError."""
    curves = moved or [measurement_of(row.points, row.place) for row in rows]
    return average(curves, weights=weights_of(row.place_key for row in rows))


def takes_at_one_place(rows: Sequence[MeasuredResponse]) -> bool:
    """Whether a place was measured more than once, so that its takes count together as one."""
    return len({row.place_key for row in rows}) < len(rows)


def settings_now(plan: doc.Plan) -> dict[str, Any]:
    """All settings of a plan by channel id, as plain types: what a measurement is taken with."""
    by_channel = {one.id: one.setting for one in plan.channels}
    settings = msgspec.json.decode(msgspec.json.encode(by_channel))
    assert isinstance(settings, dict)
    return settings


def _then(plan: doc.Plan, row: MeasuredResponse) -> doc.Plan:
    settings = {
        channel: msgspec.convert(setting, doc.Setting)
        for channel, setting in row.taken_with.items()
    }
    return with_settings(plan, settings)


def _as_now(row: MeasuredResponse, plan: doc.Plan) -> Measurement | None:
    """A channel's measurement as it would be with the present settings; None without a channel.

    The filters of then are divided out and those of now put in: level, crossovers, sections.
    """
    measured = measurement_of(row.points, row.place)
    then, now = Context(_then(plan, row)), Context(plan)
    if row.playing not in now.channels:
        return None
    grid = measured.frequencies_hz
    changed = []
    for context in (then, now):
        passed, _ = through(context, [context.channels[row.playing]], grid)
        if row.playing not in passed:
            return measured
        changed.append(decibels(passed[row.playing].response))
    return Measurement(grid, measured.levels_db + changed[1] - changed[0], row.place)


def _moved(
    rows: Sequence[MeasuredResponse], plan: doc.Plan
) -> tuple[list[MeasuredResponse], list[Measurement]]:
    """The rows whose channel is still there, and each as it would be with the present settings."""
    pairs = [(row, one) for row in rows if (one := _as_now(row, plan)) is not None]
    return [row for row, _ in pairs], [one for _, one in pairs]


def is_outdated(row: MeasuredResponse, plan: doc.Plan) -> bool:
    """Whether settings it rests on were changed after it was taken."""
    now = settings_now(plan)
    context = Context(plan)
    if row.playing in context.channels:
        ids = [one.id for one in signal_path(context, context.channels[row.playing])]
    else:
        ids = [one.id for one, _ in driven(context)]
    return any(row.taken_with.get(one) != now[one] for one in ids)


def expected(
    rows: Sequence[MeasuredResponse], plan: doc.Plan, smoothing: int
) -> Measurement | None:
    """The average as it would be with the present settings, where it differs; else None."""
    if not any(is_outdated(row, plan) for row in rows):
        return None
    kept, moved = _moved(rows, plan)
    if not moved:
        return None
    was, now = _mean(rows), _mean(kept, moved)
    if np.max(np.abs(now.at(was.frequencies_hz) - was.levels_db), initial=0.0) < SAME_DB:
        return None
    return smooth(now, smoothing)


def as_setup(
    own: Sequence[MeasuredResponse], setup: Sequence[MeasuredResponse]
) -> ToleranceVerdict | None:
    """Whether a car plays as the one its setup was saved from; None where not both were measured
    over the whole band."""
    if not own or not setup:
        return None
    try:
        return judge_tolerance(_mean(own), _mean(setup))
    except WiringError:
        return None


# Targets ------------------------------------------------------------------------------------


def targets() -> dict[str, TargetCurve]:
    """Every curve of the shop by name: its own, and the supplied ones it did not replace."""
    by_name = {one.name: one for one in SUPPLIED}
    for row in ShopTarget.objects.all():
        if row.offered:
            by_name[row.name] = target_of(row.name, row.points)
        else:
            by_name.pop(row.name, None)
    return by_name or {FLAT.name: FLAT}


def in_place_of(removed: ShopTarget) -> str:
    """What jobs aim at once a curve of the shop is removed, in words."""
    if removed.name in {one.name for one in SUPPLIED}:
        return f"the supplied {removed.name}"
    left = [name for name in targets() if name != removed.name]
    return left[0] if left else FLAT.name


def target_of(name: str, points: Sequence[Sequence[float]]) -> TargetCurve:
    """A curve kept as [Hz, dB] points."""
    return TargetCurve(name, tuple((float(hz), float(db)) for hz, db in points))


def check_points(points: Sequence[Sequence[float]]) -> str:
    """What is wrong with a target's points, empty when nothing is."""
    try:
        check_target(target_of("", points))
    except WiringError as error:
        return f"{wording.capital(error.reason)}."
    return ""


def target_plot(target: TargetCurve) -> str:
    """SVG of a target alone."""
    grid = np.geomspace(20, 20_000, 200)
    line = Line(target.name, grid, target.at(grid))
    title = f"Target curve: {target.name}"
    return spoken(draw([line], title, limits=(-12.0, 12.0, 6.0), ident="target"))


# Before against after -----------------------------------------------------------------------


class BandRow(NamedTuple):
    """One band's distance to the target [dB], before and after."""

    band_hz: float
    before: float | None
    after: float | None


class Verdict(NamedTuple):
    """How far before and after are from the target, over the bands both have."""

    before: Distance | None
    after: Distance | None
    rows: list[BandRow]
    gained_db: float | None


def judged(
    before: Measurement | None,
    after: Measurement | None,
    target: TargetCurve,
    band_hz: tuple[float, float] = WHOLE_BAND_HZ,
) -> Verdict | None:
    """Distances to the target in a band; None where no whole third octave was measured."""
    try:
        was, now = (_within(one, band_hz) for one in (before, after))
        if was is not None and now is not None:
            change: Change = compare(was, now, target)
            pairs = zip(change.before.rows, change.after.rows, strict=True)
            rows = [BandRow(hz, then, left) for (hz, then), (_, left) in pairs]
            return Verdict(change.before, change.after, rows, change.gained_db)
        one = was if was is not None else now
        if one is None:
            return None
        gap = distance(one, target, *band_hz)
    except WiringError:
        return None
    is_before = was is not None
    rows = [
        BandRow(hz, db if is_before else None, None if is_before else db) for hz, db in gap.rows
    ]
    return Verdict(
        gap if is_before else None,
        None if is_before else gap,
        rows,
        None,
    )


def _within(one: Measurement | None, band_hz: tuple[float, float]) -> Measurement | None:
    """The part inside a band; None when fewer than three points are in it."""
    if one is None or band_hz == WHOLE_BAND_HZ:
        return one
    low, high = band_hz
    inside = (one.frequencies_hz >= low) & (one.frequencies_hz <= high)
    if np.count_nonzero(inside) < FEWEST_POINTS:
        return None
    return Measurement(one.frequencies_hz[inside], one.levels_db[inside], one.name)


def _at_level(one: Measurement | None, gap: Distance | None) -> Measurement | None:
    """The curve with its overall level taken out, so that curves lie over each other."""
    if one is None or gap is None:
        return one
    return Measurement(one.frequencies_hz, one.levels_db - gap.offset_db, one.name)


def overlay(
    before: Measurement | None,
    after: Measurement | None,
    target: TargetCurve,
    title: str,
    now: Measurement | None = None,
    ident: str = "measured",
    band_hz: tuple[float, float] = WHOLE_BAND_HZ,
    look: Look = SCREEN,
) -> str:
    """SVG of before, after, expected and target, each at the target's level; empty without any."""
    verdict = judged(before, after, target, band_hz)
    if before is None and after is None:
        return ""
    own = judged(None, now, target, band_hz)
    svg = measured_plot(
        _at_level(after, verdict.after if verdict else None),
        _at_level(before, verdict.before if verdict else None),
        target,
        title=title,
        proposed=_at_level(now, own.after if own else None),
        ident=ident,
        names=("Before", "After", "Expected now"),
        look=look,
    )
    return spoken(svg)


# Proposals ----------------------------------------------------------------------------------


class Proposed(NamedTuple):
    """A proposal for one channel: where its sections go, and how many it may have."""

    channel_id: str
    label: str
    target_ids: tuple[str, ...]
    current: doc.Setting
    limits: Limits
    proposal: Proposal | None
    trouble: str
    plot: str
    anew: bool
    processor: doc.ProcessorLimits | None = None

    @property
    def widths_typed(self) -> list[str]:
        """The width of each section as the program counts it; empty where that is as Q."""
        if self.processor is None or self.processor.width_counted == "q":
            return []
        widths = [section_typed(self.processor, one).width for one in self.sections]
        return [f"{one.text} {one.unit}".strip() for one in widths]

    @property
    def sections(self) -> tuple[doc.Section, ...]:
        """All sections the channel would have."""
        if self.proposal is None:
            return self.current.sections
        if self.anew:
            return self.proposal.sections
        return (*self.current.sections, *self.proposal.sections)

    @property
    def changes(self) -> bool:
        return self.sections != self.current.sections


def label_of(context: Context, channel_id: str) -> str:
    """What a channel plays, in words: its speakers, else its id."""
    channel = context.channels[channel_id]
    names = [speaker_name(context.speakers[s]) for s in channel.speakers if s in context.speakers]
    return "; ".join(names).capitalize() or channel_id


def playing_band_hz(plan: doc.Plan, playing: str) -> tuple[float, float]:
    """The band a channel plays [Hz]; the whole band of several together."""
    context = Context(plan)
    channel = context.channels.get(playing)
    return WHOLE_BAND_HZ if channel is None else _band(context, channel)


def _band(context: Context, channel: doc.Channel) -> tuple[float, float]:
    """What every filter on the way leaves of the band, a little inside its corners [Hz]."""
    low, high = band_hz(context, channel)
    return max(20.0, (low or 0.0) * BAND_MARGIN), min(20_000.0, (high or 1e6) / BAND_MARGIN)


def proposed(
    plan: doc.Plan,
    channel_id: str,
    rows: Sequence[MeasuredResponse],
    target: TargetCurve,
    house: ProposalLimits,
    *,
    anew: bool,
    ident: str = "proposal",
) -> Proposed:
    """Sections for one channel from its measurements, within processor and shop limits."""
    context = Context(plan)
    channel = context.channels[channel_id]
    places = processing_channels(context, channel)
    device = context.devices.get(places[0].device)
    most = device.max_sections if device is not None else None
    processor = limits_of(device)
    limits = Limits(
        count=house.count if most is None else min(most, house.count),
        cut_db=house.cut_db,
        boost_db=house.boost_db,
        q_low=house.q_low,
        q_high=house.q_high,
    )
    if processor is not None:
        limits = limits_within(processor, limits)
    current = places[0].setting
    rate = (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ
    low, high = _band(context, channel)
    proposal, trouble, plot = None, "", ""
    try:
        mean = _mean(*_moved(rows, plan))
        proposal = fit(mean, target, current, limits, rate, low, high, anew, processor)
        svg = measured_plot(
            None,
            proposal.before,
            target,
            proposal.level_db,
            f"Proposal for {label_of(context, channel_id)}",
            proposal.after,
            ident,
            ("Now", "After", "Proposed"),
        )
        plot = spoken(svg)
    except (WiringError, MeasurementError) as error:
        trouble = getattr(error, "reason", str(error))
    return Proposed(
        channel_id,
        label_of(context, channel_id),
        tuple(one.id for one in places),
        current,
        limits,
        proposal,
        trouble,
        plot,
        anew,
        processor,
    )
