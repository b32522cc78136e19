"""What the sheet shows of the sound, as plain types: curves as drawn, figures as worked out."""

import re
from collections.abc import Mapping
from datetime import UTC
from typing import Any, Final

from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, MeasuredPhase, ReadingKind, Recording
from jobs.plan import agreement, capture as capture, measured as measured, tuning as sums
from jobs.services.record import files_of
from jobs.services.tuning.facts import facts_of
from jobs.services.tuning.levels import level_readings
from jobs.services.tuning.measured import of_setup
from jobs.services.tuning.seats import delays_for, seats_in_use
from shop.lazy import Lazy
from wiring.plan import Plan

recordings = Lazy("jobs.plan.recordings")

GROUPS: Final = {"all": "Everything playing", "left": "Left side", "right": "Right side"}
MOST_MEASURED: Final = 3
_FOR_THE_HAND = re.compile(r'<g class="plot-hits".*?</g>', re.DOTALL)


def _drawn(svg: str) -> str:
    """A plot for paper: without the columns that answer to a pointer."""
    return _FOR_THE_HAND.sub("", svg)


FEW: Final = 4
"""So many channels are told apart on a plot of half a page's width."""

_PLOTS: Final[tuple[tuple[sums.Shown, str], ...]] = (
    ("channels", "Each channel"),
    ("sides", "Each side, its channels summed"),
)


def _curves(after: Plan, before: Plan | None) -> list[dict[str, str]]:
    plots = []
    few = sum(bool(one.speakers) for one in after.channels) <= FEW
    for shown, title in _PLOTS:
        svg = sums.curves(
            after,
            before,
            shown,
            "magnitude",
            f"sheet-{shown}",
            look=sums.HALF if few else sums.PAPER,
        )
        if svg:
            plots.append({"title": title, "svg": _drawn(svg)})
    return plots


def _measured(job: Job, plan: Plan, found: Plan | None) -> list[dict[str, Any]]:
    rows = list(job.measured.all())
    facts = facts_of(job)
    known = measured.targets()
    target = known.get(facts.target) or next(iter(known.values()))
    have = [row.playing for row in rows if row.counts and row.points]
    groups = [one for one in GROUPS if one in have]
    alone = [one.id for one in plan.channels if one.id in have]
    responses = []
    for playing in (groups or alone)[:MOST_MEASURED]:
        sides = [
            measured.counted(rows, phase, playing)
            for phase in (MeasuredPhase.BEFORE, MeasuredPhase.AFTER)
        ]
        title = GROUPS.get(playing, f"{playing} alone")
        try:
            before, after = (measured.averaged(one, facts.smoothing) for one in sides)
            now = measured.expected(sides[1], plan, facts.smoothing)
            told = agreement.told_of(sides[0], sides[1], found, plan, playing, facts.smoothing)
        except measured.MeasurementError:
            continue
        band = measured.playing_band_hz(plan, playing)
        verdict = measured.judged(before, after, target, band)
        svg = measured.overlay(
            before,
            after,
            target,
            f"Measured response, {title.lower()}",
            now,
            f"sheet-{playing}",
            band,
            sums.PAPER,
        )
        likeness = measured.as_setup(sides[1], of_setup(job, playing))
        distances = (verdict.before, verdict.after) if verdict else (None, None)
        responses.append(
            {
                "title": title,
                "svg": _drawn(svg),
                "target": target.name,
                "target_points": [list(point) for point in target.points],
                "smoothing": facts.smoothing,
                "places": [[row.place for row in one] for one in sides],
                "takes_as_one": any(map(measured.takes_at_one_place, sides)),
                "spread": [
                    made.spread._asdict() if (made := measured.made_of(one)) else None
                    for one in sides
                ],
                "rms_db": [one.rms_db if one else None for one in distances],
                "expected_drawn": now is not None,
                "changed_since": any(measured.is_outdated(row, plan) for row in sides[1]),
                "disagrees": told._asdict() if told else None,
                "as_setup": likeness.said if likeness else "",
            }
        )
    return responses


def _delays(job: Job, plan: Plan) -> dict[str, Any] | None:
    seats = seats_in_use(job)
    delays = delays_for(job, plan)
    if not seats or delays.alignment is None:
        return None
    return {
        "air_c": delays.alignment.air_c,
        "speed_m_s": delays.alignment.speed_m_s,
        "source": delays.alignment.source,
        "seats": [{"name": name, "weight": weight} for name, (weight, _) in seats.items()],
        "lines": [
            {
                "channels": list(line.unit.channel_ids),
                "label": line.unit.label,
                "distance_m": line.delay.distance_m,
                "asked_ms": line.delay.exact_ms,
                "set_ms": line.now_ms,
            }
            for line in delays.lines
            if line.delay is not None
        ],
        "spread_ms": max(one.spread_ms for one in delays.alignment.seats),
    }


def _levels(job: Job, plan: Plan) -> dict[str, Any] | None:
    rows = {
        about: row
        for (kind, about), row in level_readings(job).items()
        if kind == ReadingKind.OUTPUT and row.after_value
    }
    readings = {about: row.after_value for about, row in rows.items() if row.after_value}
    if not readings:
        return None
    facts = facts_of(job)
    try:
        guide = sums.guide(plan, facts.overlap_db, facts.tone_dbfs, None, readings)
    except sums.WiringError:
        return None
    return {
        "overlap_db": guide.overlap_db,
        "tone_dbfs": guide.tone_dbfs,
        "channels": [
            {
                "id": one.channel_id,
                "power_w": one.power_w,
                "load_ohm": one.load_ohm,
                "tone_hz": one.tone_hz,
                "tone_v": one.tone_v,
                "measured_v": one.measured_v,
                "measured_db": one.measured_db,
                "instrument": rows[one.channel_id].after_instrument,
            }
            for one in guide.channels
            if one.measured_v
        ],
    }


def _capture(job: Job) -> dict[str, Any] | None:
    outputs = list(job.factory_outputs.all())
    together = list(job.factory_sums.select_related("first", "second"))
    report, _ = capture.captured(outputs, together)
    if report is None:
        return None
    by_output = {one.id: one for one in report.outputs}
    return {
        "svg": _drawn(capture.capture_plot(outputs, report, "sheet-capture", sums.PAPER)),
        "outputs": [
            {
                "name": row.name,
                "side": row.get_side_display(),
                "plug": row.plug,
                "carries": by_output[str(row.pk)].carries,
                "low": capture.band_name(by_output[str(row.pk)].low_hz),
                "high": capture.band_name(by_output[str(row.pk)].high_hz),
                "points": row.points,
            }
            for row in outputs
            if str(row.pk) in by_output
        ],
        "pairs": [one.said for one in report.pairs],
        "covers": [one.said for one in report.covers],
        "source": report.source,
    }


def _recordings(job: Job, plan: Plan, signed: bool) -> list[dict[str, Any]]:
    """What was recorded of test signals, so that anybody can repeat the sums from the files.

    Raises Refused where a file to be signed is missing.
    """
    rows = job.recordings.select_related("by", "microphone", "job")
    if not rows:
        return []
    digests = files_of("jobs.Recording", job.recordings.all())
    for row in rows:
        if signed and not digests[str(row.file.name)]:
            raise Refused(
                gettext(
                    "The sound file of a recording is missing (%(file)s): restore it from the "
                    "backup, or remove the recording, then sign again."
                )
                % {"file": row.kept_as}
            )
    context = sums.Context(plan)
    return [_recording(row, digests[str(row.file.name)], context) for row in rows]


def _recording(row: Recording, digest: str, context: sums.Context) -> dict[str, Any]:
    kept = row.kept_as
    calibrated = row.microphone is not None and bool(row.microphone.points)
    arrivals = [
        one["arrival_ms"]
        for one in row.results
        if one["arrival_ms"] is not None and one["relative_to"] != "nothing"
    ]
    heard = []
    for one in row.results:
        playing = row.order[one["number"]]
        arrival = one["arrival_ms"] if len(arrivals) > 1 else None
        known = playing in context.channels
        heard.append(
            {
                "id": playing,
                "label": measured.label_of(context, playing)
                if known
                else GROUPS.get(playing, playing),
                "after_first_ms": None if arrival is None else arrival - min(arrivals),
                "uncertain_ms": one["arrival_uncertain_ms"],
                "level_db": one["level_db"],
                "polarity": one["polarity"],
                "verdict": row.polarity.get(playing, {}).get("verdict", ""),
                "place": _place(row.places.get(playing)),
            }
        )
    spec = recordings.spec_of(row.spec)
    return {
        "id": row.pk,
        "file": kept,
        "sha256": digest,
        "phase": row.phase,
        "place": row.place,
        "by": str(row.by),
        "at": row.at.astimezone(UTC).isoformat(timespec="seconds"),
        "microphone": str(row.microphone or ""),
        "calibrated": calibrated,
        "device": row.device,
        "signal": row.spec,
        "drift_ppm": row.drift_ppm,
        "heard": heard,
        "faults": [one["said"] for one in row.faults],
        "repeat": recordings.repeated_by(spec, kept, "calibration.txt" if calibrated else ""),
    }


def _place(heard: Mapping[str, Any] | None) -> dict[str, str] | None:
    """Which channels of the source were heard at a channel, None where nobody listened for them."""
    return {name: heard[name] for name in ("verdict", "said")} if heard else None


def tuned_of(job: Job, after: Plan, before: Plan | None, signed: bool) -> dict[str, Any]:
    """Everything the sheet shows of the sound; parts that were not done are None or empty.

    Raises Refused where a file to be signed is missing.
    """
    return {
        "curves": _curves(after, before),
        "assumed": "; ".join(sums.assumed(after)) if after.channels else "",
        "measured": _measured(job, after, before),
        "recordings": _recordings(job, after, signed),
        "delays": _delays(job, after),
        "levels": _levels(job, after),
        "capture": _capture(job),
    }
