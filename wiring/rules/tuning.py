"""Rules about a tuning: what the settings do to each other, judged on the complex response.

What one stage does is kept by `wiring.tuning.stages`, so that judging again after a change costs
that one stage. Delays are judged with the distances of the context, where both drivers have one.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from wiring.channels.signal_path import Meeting, chain_filters, driven, meetings, signal_path
from wiring.context import Context, rule
from wiring.filters.biquads import ASSUMED_SAMPLE_RATE_HZ, COOKBOOK
from wiring.filters.crossovers import Crossing, CrossoverError, crossing, level_db
from wiring.filters.passive import passive_filters
from wiring.findings import Figure, Finding
from wiring.loads import speaker_load_ohm
from wiring.names import channel_name, frequency_name, speaker_name
from wiring.plan import Channel, Crossover, Section, Setting, Speaker
from wiring.rules.crossovers import ASSUMED_HIGH_PASS
from wiring.tuning import stages
from wiring.tuning.alignment import SOURCE as SPEED_SOURCE, speed_of_sound_m_s
from wiring.tuning.measurements import Floats
from wiring.tuning.response import Complexes, decibels, delay_response, passive_response

COMMON_PRACTICE: Final = "common practice, no source"
RESPONSE: Final = f"complex response at the sample rate; {COOKBOOK}"
HEADROOM_DB: Final = 1.0
"""Peaks of a channel above 0 dB by more than this are told."""
BOOST_DB: Final = 1.0
CABIN_M: Final = 6.0
NO_CAR_M: Final = 10.0
"""No way from a speaker to a seat is as long: common practice, no source."""
BETTER_DB: Final = 3.0
ALMOST_WHOLLY_DB: Final = 20.0
"""A loss beyond this is told in words: a tenth of the voltage is left."""


def _rate(context: Context, stage: Channel) -> float:
    device = context.devices.get(stage.device)
    return (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ


Way = tuple[tuple[Setting, Setting, float], ...]
"""Stages of a channel's signal path: the setting, what of it filters, and the sample rate [Hz]."""


def _way(context: Context, channel: Channel) -> Way:
    return context.once(
        f"way {channel.id}",
        lambda: tuple(
            (stage.setting, stages.filtering(stage.setting), _rate(context, stage))
            for stage in signal_path(context, channel)
        ),
    )


@rule("tuning-not-possible", "tuning", "caution", sources=(RESPONSE,))
def possible(context: Context) -> Iterator[Finding]:
    """A setting the device cannot do at its sample rate."""
    for channel in {one.id: one for one, _ in driven(context)}.values():
        reasons = (stages.problem(core, rate) for _, core, rate in _way(context, channel))
        if reason := next(filter(None, reasons), ""):
            yield Finding(
                "tuning-not-possible",
                "caution",
                f"{channel_name(context, channel)}: {reason}",
                (channel.id,),
                "Read the setting again on the device.",
                RESPONSE,
            )


Signs = tuple[tuple[bool, Setting, float], ...]
"""Of each stage of a way: whether it inverts, what of it filters, and the sample rate [Hz]."""


def _signs(way: Way) -> Signs:
    return tuple((setting.inverted, core, rate) for setting, core, rate in way)


def _filters_around(way: Signs, speaker: Speaker, centre_hz: float) -> Complexes:
    """Crossovers, all-passes, passive parts and polarity, without level, delay and shaping."""
    response = np.ones(1, dtype=np.complex128)
    if speaker.passive is not None:
        behind = passive_response(speaker, stages.around(centre_hz))
        if behind is not None:
            response = behind / 10 ** (loudest_db(speaker) / 20)
    for inverted, core, rate in way:
        sign = -1 if inverted else 1
        response = response * stages.filters_around(core, rate, centre_hz) * sign
    return response


def loudest_db(speaker: Speaker) -> float:
    """What passive parts leave at a driver where they leave most [dB]; 0 without values."""
    own = speaker.passive
    if own is None or not own.parts:
        return 0.0
    found = passive_filters(own.parts, speaker_load_ohm(speaker))
    return found[0].loudest_db if found else 0.0


def _shaping_db(way: Way) -> Floats:
    """What the equaliser sections of the whole way add [dB]."""
    return _added_db(tuple((one.sections, rate) for one, _, rate in way if one.sections))


@lru_cache(maxsize=1024)
def _added_db(sections: tuple[tuple[tuple[Section, ...], float], ...]) -> Floats:
    total = np.zeros(stages.GRID.size)
    for those, rate in sections:
        total += stages.shaping_db(those, rate)
    total.flags.writeable = False
    return total


def _meetings(context: Context) -> Iterator[tuple[Meeting, Crossing]]:
    """Where two drivers of one position meet, and at which frequency."""
    for meeting in meetings(context):
        where = crossing(*meeting.filters(context))
        if where is not None and 20 <= where.frequency_hz <= 20_000:
            yield meeting, where


class _Sum(NamedTuple):
    """Two drivers added about their crossover [dB], as they are and with one inverted."""

    grid_hz: Floats
    together_db: Floats
    flipped_db: Floats
    late_ms: float | None

    @property
    def cancels(self) -> bool:
        """One inverted would be clearly louder at the crossover."""
        at = self.grid_hz.size // 2
        return bool(self.flipped_db[at] > self.together_db[at] + BETTER_DB)

    @property
    def at_crossover_db(self) -> float:
        return float(self.together_db[self.grid_hz.size // 2])


def _sum(context: Context, meeting: Meeting, centre_hz: float) -> _Sum | None:
    """Two drivers where they meet; None where a filter does not exist."""
    return _add_up(
        _signs(_way(context, meeting.low)),
        _signs(_way(context, meeting.high)),
        meeting.lower,
        meeting.upper,
        centre_hz,
        _late_ms(context, meeting),
    )


@lru_cache(maxsize=1024)
def _add_up(
    low_way: Signs,
    high_way: Signs,
    lower: Speaker,
    upper: Speaker,
    centre_hz: float,
    late_ms: float | None,
) -> _Sum | None:
    """The same, kept: of a plan that is judged again mostly one meeting is another."""
    grid = stages.around(centre_hz)
    try:
        low = _filters_around(low_way, lower, centre_hz)
        high = _filters_around(high_way, upper, centre_hz)
    except CrossoverError:
        return None
    if late_ms is not None:
        high = high * delay_response(late_ms, grid)
    return _Sum(grid, decibels(low + high), decibels(low - high), late_ms)


@rule("crossover-cancels", "tuning", "caution", sources=(RESPONSE,))
def cancels(context: Context) -> Iterator[Finding]:
    """Two drivers that cancel where they meet, and would not with one inverted.

    Where their filters leave a gap between them, that is what is told, and no polarity.
    """
    limit = context.plan.assumptions.crossover_gap_db
    for meeting, where in _meetings(context):
        if where.in_phase_sum_db < -limit:
            continue
        centre = where.frequency_hz
        both = _sum(context, meeting, centre)
        if both is not None and both.cancels and both.at_crossover_db < -limit:
            flipped = float(both.flipped_db[both.grid_hz.size // 2])
            yield _cancels(meeting, centre, both.at_crossover_db, flipped, both.late_ms)


@rule("crossover-sum", "tuning", "caution", sources=(RESPONSE,))
def uneven(context: Context) -> Iterator[Finding]:
    """A gap or a hump where two drivers meet."""
    limit = context.plan.assumptions.crossover_gap_db
    for meeting, where in _meetings(context):
        both = _sum(context, meeting, where.frequency_hz)
        if both is None or abs(where.in_phase_sum_db) > limit:
            continue
        if both.cancels and both.at_crossover_db < -limit:
            continue
        worst = int(np.argmax(np.abs(both.together_db)))
        level = float(both.together_db[worst])
        if abs(level) > limit:
            yield _uneven(meeting, float(both.grid_hz[worst]), level, limit, both.late_ms)


def _late_ms(context: Context, meeting: Meeting) -> float | None:
    """How much later the upper driver arrives than the lower [ms], None without distances."""
    distances_m = context.distances_m
    lower, upper = meeting.lower.id, meeting.upper.id
    if lower not in distances_m or upper not in distances_m:
        return None
    delays = [
        sum(stage.setting.delay_ms for stage in signal_path(context, channel))
        for channel in (meeting.low, meeting.high)
    ]
    way = (distances_m[upper] - distances_m[lower]) / speed_of_sound_m_s(context.air_c) * 1000
    return delays[1] - delays[0] + way


def _timing(late_ms: float | None) -> str:
    if late_ms is None:
        return "delays taken to make up for the distances"
    return f"the upper driver arrives {late_ms:+.2f} ms after the lower"


def _where(meeting: Meeting) -> tuple[str, ...]:
    return meeting.low.id, meeting.high.id, meeting.lower.id, meeting.upper.id


def _cancels(
    meeting: Meeting, centre: float, level: float, flipped: float, late_ms: float | None
) -> Finding:
    timed = late_ms is not None and abs(late_ms) * centre > 90
    loss = "almost wholly" if level < -ALMOST_WHOLLY_DB else f"by {-level:.1f} dB"
    to_do = "Invert one of the two and measure again, or use another slope."
    if timed:
        to_do = "Invert one of the two and measure again; check both delays first."
    return Finding(
        "crossover-cancels",
        "caution",
        f"The {speaker_name(meeting.lower)} and the {speaker_name(meeting.upper)} cancel "
        f"{loss} at {frequency_name(centre)}, where with one inverted they add up to "
        f"{flipped:+.1f} dB",
        _where(meeting),
        to_do,
        RESPONSE,
        (
            Figure("Sum at the crossover", level, "dB", "|low + high|", source=RESPONSE,
                   assumed=(_timing(late_ms), "drivers taken as flat and equally loud")),
            Figure("With one inverted", flipped, "dB", "|low - high|", source=RESPONSE),
        ),
    )  # fmt: skip


def _uneven(
    meeting: Meeting, frequency: float, level: float, limit: float, late_ms: float | None
) -> Finding:
    what = "gap" if level < 0 else "hump"
    return Finding(
        "crossover-sum",
        "caution",
        f"A {what} of {abs(level):.1f} dB at {frequency_name(frequency)} where the "
        f"{speaker_name(meeting.lower)} and the {speaker_name(meeting.upper)} meet",
        _where(meeting),
        "Move the corners or change the slopes, delay or polarity until they add up evenly.",
        RESPONSE,
        (
            Figure("Sum", level, "dB", "|low + high|", source=RESPONSE,
                   assumed=(_timing(late_ms), "drivers taken as flat and equally loud",
                            f"the shop's limit is {limit:g} dB")),
        ),
    )  # fmt: skip


def _shaped(context: Context) -> Iterator[tuple[Channel, Speaker, Way, Floats]]:
    """Each driven speaker with what the equaliser adds on its way [dB], where it does anything."""
    for channel, speaker in driven(context):
        way = _way(context, channel)
        if not any(setting.sections for setting, _, _ in way):
            continue
        try:
            yield channel, speaker, way, _shaping_db(way)
        except CrossoverError:
            continue


@rule(
    "boost-under-high-pass",
    "tuning",
    "caution",
    sources=("the speaker maker's data", COMMON_PRACTICE),
)
def boost_under_high_pass(context: Context) -> Iterator[Finding]:
    """A boost under a driver's safe high-pass."""
    for channel, speaker, way, shaping in _shaped(context):
        if np.any(shaping > BOOST_DB / 2):
            try:
                yield from _under_high_pass(channel, speaker, way, shaping)
            except CrossoverError:
                continue


def _under_high_pass(
    channel: Channel, speaker: Speaker, way: Way, shaping: Floats
) -> Iterator[Finding]:
    grid = stages.GRID
    limit, order = speaker.min_high_pass_hz, speaker.min_high_pass_order
    if limit is None:
        if speaker.kind not in ASSUMED_HIGH_PASS:
            return
        limit, order = ASSUMED_HIGH_PASS[speaker.kind]
    below = (grid <= limit) & (grid >= limit / 8) & (shaping > BOOST_DB)
    if not np.any(below):
        return
    net = shaping + sum(decibels(stages.filters_on_grid(core, rate)) for _, core, rate in way)
    behind = passive_response(speaker, grid)
    if behind is not None:
        net = net + decibels(behind) - loudest_db(speaker)
    safe = Crossover("butterworth", order, limit)
    allowed = np.array([level_db(safe, "high_pass", float(f)) for f in grid[below]])
    excess = net[below] - allowed
    worst = int(np.argmax(excess))
    if excess[worst] <= BOOST_DB:
        return
    frequency = float(grid[below][worst])
    yield Finding(
        "boost-under-high-pass",
        "caution",
        f"Boost drives the {speaker_name(speaker)} {excess[worst]:.1f} dB more than is safe at "
        f"{frequency_name(frequency)}, under its limit of {frequency_name(limit)}",
        (channel.id, speaker.id),
        "Take the boost out or raise the high-pass.",
        "the speaker maker's data" if speaker.min_high_pass_hz else COMMON_PRACTICE,
        (
            Figure("Level", float(net[below][worst]), "dB", source=RESPONSE),
            Figure("Safe", float(allowed[worst]), "dB", "Butterworth high-pass at the limit"),
        ),
    )


@rule("box-limit", "tuning", "caution", sources=(COMMON_PRACTICE,))
def box_limit(context: Context) -> Iterator[Finding]:
    """Nothing keeps notes under its box's tuning from a driver."""
    for channel, speaker in driven(context):
        limit = speaker.box_limit_hz
        if limit is None:
            continue
        filters = chain_filters(context, channel, "high_pass", speaker)
        if all(any(f.frequency_hz >= 0.7 * limit and f.order >= 2 for f in way) for way in filters):
            continue
        yield Finding(
            "box-limit",
            "caution",
            f"Nothing keeps notes under {frequency_name(limit)} from the {speaker_name(speaker)}, "
            "whose box leaves it unloaded there",
            (channel.id, speaker.id),
            f"Set a high-pass of 12 dB/oct or steeper near {frequency_name(limit)}.",
            COMMON_PRACTICE,
        )


@rule("box-boost", "tuning", "caution", sources=(COMMON_PRACTICE,))
def box_boost(context: Context) -> Iterator[Finding]:
    """A boost under the tuning of a driver's box."""
    grid = stages.GRID
    for channel, speaker, _, shaping in _shaped(context):
        limit = speaker.box_limit_hz
        if limit is None:
            continue
        low = grid <= limit
        if not np.any(low) or float(shaping[low].max()) <= BOOST_DB:
            continue
        at = int(np.argmax(np.where(low, shaping, -np.inf)))
        yield Finding(
            "box-boost",
            "caution",
            f"Boosts add up to {shaping[at]:+.1f} dB at {frequency_name(float(grid[at]))}, under "
            f"the {frequency_name(limit)} of the box of the {speaker_name(speaker)}",
            (channel.id, speaker.id),
            "Take the boost out: under its tuning the cone moves without sounding louder.",
            COMMON_PRACTICE,
            (Figure("Boost", float(shaping[at]), "dB", "sum of all sections", source=COOKBOOK),),
        )


@lru_cache(maxsize=1024)
def _peak(way: tuple[tuple[float, Setting, float], ...]) -> tuple[float, float]:
    """The highest level of a way of stages [dB], each of its level [dB], what of it filters and
    its sample rate [Hz]; and where it is [Hz]."""
    levels = sum(level_db + stages.level_db(core, rate) for level_db, core, rate in way)
    assert isinstance(levels, np.ndarray)
    at = int(np.argmax(levels))
    return float(levels[at]), float(stages.GRID[at])


@rule("headroom", "tuning", "caution", sources=(COMMON_PRACTICE,))
def headroom(context: Context) -> Iterator[Finding]:
    """A channel whose settings push full-scale music over 0 dB."""
    for channel in {one.id: one for one, _ in driven(context)}.values():
        way = _way(context, channel)
        if any(setting.muted or stages.problem(core, rate) for setting, core, rate in way):
            continue
        level, at_hz = _peak(tuple((one.level_db, core, rate) for one, core, rate in way))
        if level <= HEADROOM_DB:
            continue
        yield Finding(
            "headroom",
            "caution",
            f"{channel_name(context, channel)} peaks at {level:+.1f} dB at "
            f"{frequency_name(at_hz)}: full-scale music clips there",
            (channel.id, *channel.speakers),
            f"Lower the channel by {level:.1f} dB, or cut elsewhere instead of boosting here.",
            COMMON_PRACTICE,
            (
                Figure("Peak", level, "dB", "level + all sections", source=RESPONSE),
                Figure("Power asked", 10 ** (level / 10), "times", "10^(dB / 10)",
                       f"10^({level:.1f} / 10)", assumed=("levels set at 0 dB to rated power",)),
            ),
        )  # fmt: skip


@rule("too-many-sections", "tuning", "caution", sources=("the maker's data of the parts",))
def too_many_sections(context: Context) -> Iterator[Finding]:
    """More equaliser sections on a channel than its device does."""
    for channel in context.plan.channels:
        device = context.devices.get(channel.device)
        count = len(channel.setting.sections)
        if device is not None and device.max_sections is not None and count > device.max_sections:
            yield Finding(
                "too-many-sections",
                "caution",
                f"{channel_name(context, channel)} has {count} sections, the device does "
                f"{device.max_sections}",
                (channel.id,),
                "Remove the sections that do least.",
                "the maker's data of the parts",
            )


@rule("delay-too-long", "tuning", "stop", "caution", sources=(COMMON_PRACTICE, SPEED_SOURCE))
def delay_too_long(context: Context) -> Iterator[Finding]:
    """A delay longer than sound takes through a car: 6 m a caution, 10 m a stop."""
    speed = speed_of_sound_m_s(context.air_c)
    for channel in {one.id: one for one, _ in driven(context)}.values():
        stage_delays = [stage.setting.delay_ms for stage in signal_path(context, channel)]
        delay = sum(stage_delays)
        way_m = delay / 1000 * speed
        if way_m <= CABIN_M:
            continue
        yield Finding(
            "delay-too-long",
            "stop" if way_m > NO_CAR_M else "caution",
            f"{channel_name(context, channel)} is delayed by {delay:g} ms: sound goes {way_m:.1f} "
            "m in that time, farther than in any car",
            (channel.id, *channel.speakers),
            "Read the delay again: a centimetre or sample count may stand where milliseconds "
            "belong.",
            COMMON_PRACTICE,
            (
                Figure("Way of the sound", way_m, "m", "delay x speed of sound",
                       f"({' + '.join(f'{each:g}' for each in stage_delays)}) ms x {speed:.1f} m/s",
                       SPEED_SOURCE, (f"air of {context.air_c:g} °C",)),
                Figure("Longest way in a car", CABIN_M, "m", source=COMMON_PRACTICE),
            ),
        )  # fmt: skip


@rule("delay-step", "tuning", "note", sources=("the maker's data of the parts",))
def delay_step(context: Context) -> Iterator[Finding]:
    """A delay that is no step of the device, where no more is known of what its program takes."""
    for channel in context.plan.channels:
        device = context.devices.get(channel.device)
        known = device is not None and device.limits is not None and device.limits.delay is not None
        step = device.delay_step_ms if device is not None and not known else None
        delay = channel.setting.delay_ms
        if step is not None and abs(delay / step - round(delay / step)) > 0.05:
            near = round(delay / step) * step
            yield Finding(
                "delay-step",
                "note",
                f"{channel_name(context, channel)}: {delay:g} ms is no step of the device, the "
                f"nearest is {near:.3g} ms",
                (channel.id,),
                f"Write what the device shows, {near:.3g} ms.",
                "the maker's data of the parts",
            )
