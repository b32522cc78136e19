"""What the tuning sums answer for the screens: findings, curves, delays, levels.

`jobs.plan.document` makes the plan; measured responses and proposals are in
`jobs.plan.measured`.
"""

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any, Final, NamedTuple

import msgspec

from jobs import wording
from jobs.models import Job
from jobs.models.measured import DEFAULT_AIR_C
from jobs.plan import rows as plan_rows
from jobs.plan.spoken import spoken
from wiring import plan as doc
from wiring.channels.levels import LevelGuide as LevelGuide, guide as guide
from wiring.channels.signal_path import driven, signal_path
from wiring.check import findings_of
from wiring.context import RULES, Context as Context
from wiring.drawings.plan_plots import (
    SHOWN_NAMES as SHOWN_NAMES,
    Quantity as Quantity,
    Shown as Shown,
    settings_plot,
)
from wiring.drawings.plots import HALF as HALF, PAPER as PAPER, SCREEN, Look
from wiring.errors import WiringError as WiringError
from wiring.filters.typing_in import Typed, delay_typed, limits_of
from wiring.findings import Finding
from wiring.names import speaker_name
from wiring.positions import counterpart
from wiring.tuning import gain
from wiring.tuning.alignment import Alignment, Delay, Seat, align
from wiring.tuning.response import plan_response

QUANTITIES: Final[dict[Quantity, str]] = {
    "magnitude": "Level",
    "phase": "Phase",
    "group_delay": "Group delay",
}
SHOWN: Final[dict[Shown, str]] = {
    "channels": "Each channel",
    "places": "Each place",
    "sides": "Each side",
    "whole": "All together",
}


class Heard(NamedTuple):
    """Mean way from each speaker to the seats in use [m], by speaker id, and the air [degC]."""

    distances_m: dict[str, float]
    air_c: float


def heard_from(job: Job) -> Heard:
    """Distances as the seats count, in one query. A speaker without a distance is left out."""
    return heard_at(plan_rows.seats(job.pk))


def heard_at(rows: Iterable[Any]) -> Heard:
    """The same, of the rows of the seats."""
    sums: dict[str, tuple[float, float]] = {}
    air_c = DEFAULT_AIR_C
    for label, distance, weight, air in rows:
        total, weights = sums.get(label, (0.0, 0.0))
        sums[label] = (total + (distance or 0.0) * weight, weights + weight)
        air_c = DEFAULT_AIR_C if air is None else air
    return Heard({label: total / weights for label, (total, weights) in sums.items()}, air_c)


def gain_chains(plan: doc.Plan) -> dict[str, gain.Chain]:
    """The signal's voltage from the source to each amplifier channel's speakers, by channel."""
    return {one.channel_id: one for one in gain.chains(Context(plan))}


def tuning_findings(job: Job, plan: doc.Plan) -> tuple[Finding, ...]:
    """Findings on the settings alone, with the distances measured so far."""
    rules = [one for one in RULES.values() if one.section == "tuning"]
    return findings_of(Context(plan, *heard_from(job)), rules)


def with_settings(plan: doc.Plan, settings: Mapping[str, doc.Setting]) -> doc.Plan:
    """The plan with other settings by channel id; a channel without one is set to nothing."""
    nothing = doc.Setting()
    return msgspec.structs.replace(
        plan,
        channels=tuple(
            msgspec.structs.replace(channel, setting=settings.get(channel.id, nothing))
            for channel in plan.channels
        ),
    )


def with_sections(plan: doc.Plan, channel_id: str, sections: tuple[doc.Section, ...]) -> doc.Plan:
    """The plan with other equaliser sections on one channel; as it is where there is no such."""

    def changed(channel: doc.Channel) -> doc.Channel:
        if channel.id != channel_id:
            return channel
        setting = msgspec.structs.replace(channel.setting, sections=sections)
        return msgspec.structs.replace(channel, setting=setting)

    return msgspec.structs.replace(plan, channels=tuple(map(changed, plan.channels)))


def playing_through(plan: doc.Plan, channel_id: str) -> list[str]:
    """The channels with speakers whose signal passes a channel: itself, or those it feeds."""
    context = Context(plan)
    return list(
        dict.fromkeys(
            channel.id
            for channel, _ in driven(context)
            if any(
                one.id == channel_id
                for stage in signal_path(context, channel)
                for one in (stage, *processing_channels(context, channel))
            )
        )
    )


class Kin(NamedTuple):
    """How channels are related by what is heard through them, by id.

    `other_side` is the channel of the same speakers on the other side of the car, where there is
    just one; `alike` are the others that play speakers of the same kinds.
    """

    other_side: dict[str, str]
    alike: dict[str, tuple[str, ...]]


def speakers_through(plan: doc.Plan) -> dict[str, list[doc.Speaker]]:
    """The speakers whose sound passes each channel, by its id."""
    context = Context(plan)
    heard: dict[str, dict[str, doc.Speaker]] = {}
    for channel, speaker in driven(context):
        for stage in signal_path(context, channel):
            for one in (stage, *processing_channels(context, channel)):
                heard.setdefault(one.id, {})[speaker.id] = speaker
    return {channel_id: list(speakers.values()) for channel_id, speakers in heard.items()}


def kin_of(plan: doc.Plan) -> Kin:
    """Which channels are left and right of each other, and which play the same kinds."""
    heard = {
        channel_id: {(one.position, one.kind) for one in speakers}
        for channel_id, speakers in speakers_through(plan).items()
    }
    kind_of = {channel.id: channel.kind for channel in plan.channels}
    by_sound: dict[tuple[str, frozenset[tuple[str, str]]], list[str]] = {}
    by_kind: dict[tuple[str, frozenset[str]], list[str]] = {}
    for one_id, places in heard.items():
        by_sound.setdefault((kind_of[one_id], frozenset(places)), []).append(one_id)
        kinds = frozenset(kind for _, kind in places)
        by_kind.setdefault((kind_of[one_id], kinds), []).append(one_id)
    other_side = {}
    for (kind, sound), ids in by_sound.items():
        mirrored = frozenset((counterpart(place) or place, what) for place, what in sound)
        facing = by_sound.get((kind, mirrored), [])
        if mirrored != sound and len(ids) == 1 and len(facing) == 1:
            other_side[ids[0]] = facing[0]
    alike = {
        one_id: tuple(other for other in ids if other != one_id)
        for ids in by_kind.values()
        for one_id in ids
    }
    return Kin(other_side, alike)


def curves(
    after: doc.Plan,
    before: doc.Plan | None,
    shown: Shown,
    quantity: Quantity,
    ident: str = "curves",
    channel_ids: list[str] | None = None,
    look: Look = SCREEN,
) -> str:
    """SVG of what the settings do; empty while nothing drives a speaker."""
    if not any(channel.speakers for channel in after.channels):
        return ""
    svg = settings_plot(after, before, shown, quantity, ident, channel_ids, look)
    return spoken(svg)


def assumed(plan: doc.Plan) -> tuple[str, ...]:
    """What the curves take for granted, and the channels that have none, with the reason."""
    response = plan_response(plan)
    problems = [f"{channel}: {why}" for channel, why in response.problems.items()]
    return (*problems, *response.assumed)


# Delays -------------------------------------------------------------------------------------


class Unit(NamedTuple):
    """Speakers that are delayed together: by the settings of `channel_ids`."""

    key: str
    channel_ids: tuple[str, ...]
    speaker_ids: tuple[str, ...]
    label: str


def processing_channels(context: Context, channel: doc.Channel) -> tuple[doc.Channel, ...]:
    """Where a channel's sound is set: itself, or the lines into its amplifier from a processor."""
    stages = signal_path(context, channel)
    for stage in stages:
        device = context.devices.get(stage.device)
        if device is not None and (
            device.sample_rate_hz or device.delay_step_ms or device.limits is not None
        ):
            if stage is channel:
                return (channel,)
            into = stages[stages.index(stage) - 1].device
            return tuple(
                one
                for one in context.plan.channels
                if one.feeds_device == into and one.device == stage.device
            )
    return (channel,)


def units_of(plan: doc.Plan) -> list[Unit]:
    """What has a delay of its own, in the order of the plan."""
    context = Context(plan)
    units: dict[tuple[str, ...], list[doc.Speaker]] = {}
    for channel, speaker in driven(context):
        ids = tuple(one.id for one in processing_channels(context, channel))
        members = units.setdefault(ids, [])
        if speaker not in members:
            members.append(speaker)
    return [
        Unit(
            "+".join(ids),
            ids,
            tuple(one.id for one in members),
            "; ".join(speaker_name(one).capitalize() for one in members),
        )
        for ids, members in units.items()
    ]


class DelayLine(NamedTuple):
    """One unit's delay: what the distances ask for, and what is set now [ms]. `typed` is what to
    type where the program of its device counts otherwise or has steps of its own."""

    unit: Unit
    delay: Delay | None
    now_ms: float
    typed: Typed | None = None

    @property
    def differs(self) -> bool:
        return self.delay is not None and abs(self.delay.set_ms - self.now_ms) > 0.0005


class Delays(NamedTuple):
    """All units, the alignment where it could be formed, and why not where it could not."""

    lines: list[DelayLine]
    alignment: Alignment | None
    missing: str
    step_ms: float | None
    sample_rate_hz: float | None


def _grain(plan: doc.Plan, units: list[Unit]) -> tuple[float | None, float | None]:
    """The coarsest delay step and the lowest sample rate among the devices that delay."""
    ids = {one for unit in units for one in unit.channel_ids}
    owners = {channel.device for channel in plan.channels if channel.id in ids}
    devices = [device for device in plan.devices if device.id in owners]
    steps = [device.delay_step_ms for device in devices if device.delay_step_ms]
    rates = [device.sample_rate_hz for device in devices if device.sample_rate_hz]
    return max(steps, default=None), min(rates, default=None)


def _programs(plan: doc.Plan, units: list[Unit]) -> dict[str, doc.ProcessorLimits]:
    """What the program takes that delays a unit, by its key, where that is known."""
    devices = {device.id: device for device in plan.devices}
    owners = {channel.id: channel.device for channel in plan.channels}
    found = {unit.key: limits_of(devices.get(owners[unit.channel_ids[0]])) for unit in units}
    return {
        key: limits
        for key, limits in found.items()
        if limits is not None and (limits.delay is not None or limits.delay_unit != "ms")
    }


def delays_of(
    plan: doc.Plan, seats: Mapping[str, tuple[float, Mapping[str, float]]], air_c: float
) -> Delays:
    """Delays for the seats in use: name to (weight, distance [m] by speaker id)."""
    units = units_of(plan)
    step, rate = _grain(plan, units)
    settings = {channel.id: channel.setting for channel in plan.channels}
    programs = _programs(plan, units)

    def nearest_ms(limits: doc.ProcessorLimits, exact_ms: float) -> float:
        return delay_typed(limits, exact_ms).set_ms

    ready = [
        unit
        for unit in units
        if seats
        and all(one in distances for _, distances in seats.values() for one in unit.speaker_ids)
    ]
    missing = ""
    alignment = None
    if not seats:
        missing = "Tap the seat the sound is set for."
    elif len(ready) < 2:
        missing = "Measure from at least two speakers to every seat in use."
    else:
        try:
            alignment = align(
                tuple(
                    Seat(
                        name,
                        {
                            unit.key: sum(distances[one] for one in unit.speaker_ids)
                            / len(unit.speaker_ids)
                            for unit in ready
                        },
                        weight,
                    )
                    for name, (weight, distances) in seats.items()
                ),
                air_c,
                step,
                rate,
                nearest_ms={key: partial(nearest_ms, one) for key, one in programs.items()},
            )
        except WiringError as error:
            missing = f"{wording.capital(error.reason)}."
    by_channel = {one.id: one for one in alignment.delays} if alignment else {}
    lines = [
        DelayLine(
            unit,
            delay := by_channel.get(unit.key),
            settings[unit.channel_ids[0]].delay_ms,
            delay_typed(programs[unit.key], delay.exact_ms).typed
            if delay is not None and unit.key in programs
            else None,
        )
        for unit in units
    ]
    return Delays(lines, alignment, missing, step, rate)
