"""Rules about channels and the speakers on them: known parts, numbers, bridging, load, power."""

import math
from collections.abc import Iterator
from typing import Final

import msgspec

from wiring.channels.signal_path import driven, signal_path
from wiring.context import Context, rule
from wiring.filters.passive import SERIES_SOURCE, is_preferred, preferred
from wiring.findings import Figure, Finding
from wiring.loads import (
    NOMINAL_DIP,
    LoadError,
    channel_shares,
    minimum_load,
    passive_set,
    speaker_loads_ohm,
)
from wiring.names import channel_name, frequency_name, listed, speaker_name
from wiring.plan import Channel, PassivePart, Speaker
from wiring.positions import POSITIONS
from wiring.tuning.gain import way_peak_db

COMMON_PRACTICE: Final = "common practice, no source"
MAKER: Final = "the maker's data of the parts"
ARITHMETIC: Final = "Ohm's law; parts in series and parallel"
BEHIND: Final = (
    "Kirchhoff's laws; a nominal impedance may dip 20 %: IEC 60268-5:2003, 16.1, from memory"
)

COIL_SHARE: Final = 0.8
"""What a coil's resistance commonly is of the lowest impedance of its speaker; common practice, no
source."""
MEASURED_LOW: Final = NOMINAL_DIP * COIL_SHARE
MEASURED_HIGH: Final = 1.30
LOWEST_IMPEDANCE: Final = (
    "the lowest impedance may be 80 % of the rated one: IEC 60268-5:2003, 16.1, from memory"
)
POWER_STOP_RATIO: Final = 2.0
BAND_LIMITED_STOP_RATIO: Final = 4.0
_BAND_LIMITED: Final = frozenset({"tweeter", "midrange"})


@rule("unknown-part", "channels", "stop", "caution", sources=("the plan itself",))
def unknown_part(context: Context) -> Iterator[Finding]:
    """Ids that name nothing: devices, speakers, positions, the device that turns another on."""
    for channel in context.plan.channels:
        if channel.device not in context.devices:
            yield _unknown(channel.id, f"device {channel.device!r}", "device of the channel")
        for speaker_id in channel.speakers:
            if speaker_id not in context.speakers:
                yield _unknown(channel.id, f"speaker {speaker_id!r}", "speaker on the channel")
        if channel.feeds_device is not None and channel.feeds_device not in context.devices:
            yield _unknown(channel.id, f"device {channel.feeds_device!r}", "device it feeds")
    for device in context.plan.devices:
        if device.turn_on_by is not None and device.turn_on_by not in context.devices:
            yield _unknown(device.id, f"device {device.turn_on_by!r}", "device that turns it on")
    for speaker in context.plan.speakers:
        if speaker.position not in POSITIONS:
            yield Finding(
                "unknown-part",
                "caution",
                f"{speaker.name} sits at {speaker.position!r}, no place on the car picture",
                (speaker.id,),
                "Choose one of the places on the picture.",
                "the plan itself",
            )


def _unknown(where: str, what: str, role: str) -> Finding:
    return Finding(
        "unknown-part",
        "stop",
        f"The plan has no {what}, named as the {role}",
        (where,),
        "Choose a part of this job, or add the missing part to it.",
        "the plan itself",
    )


@rule("channel-number", "channels", "stop", sources=(MAKER,))
def channel_number(context: Context) -> Iterator[Finding]:
    """A channel the device does not have, the same one twice, or a line output on speakers."""
    seen: set[tuple[str, str, int]] = set()
    for channel in context.plan.channels:
        key = (channel.device, channel.kind, channel.number)
        if key in seen:
            title = f"{channel_name(context, channel)} is in the plan twice"
            yield _number(channel, title, "Remove one of the two rows.")
        seen.add(key)
        device = context.devices.get(channel.device)
        if device is not None:
            amplifier = channel.kind == "amplifier"
            count = device.amplifier_channels if amplifier else device.line_outputs
            if channel.number > count:
                yield _number(
                    channel,
                    f"{channel_name(context, channel)} does not exist: the device has {count}",
                    "Correct the number, or the device's data in the catalogue.",
                )
        if channel.kind == "line" and channel.speakers:
            yield _number(
                channel,
                f"{channel_name(context, channel)} is said to drive a speaker, which a line "
                "output cannot",
                "Feed an amplifier from it and put the speaker on that amplifier's channel.",
            )


def _number(channel: Channel, title: str, to_do: str) -> Finding:
    return Finding("channel-number", "stop", title, (channel.id,), to_do, MAKER)


@rule("speaker-without-channel", "channels", "stop", sources=("the plan itself",))
def speaker_without_channel(context: Context) -> Iterator[Finding]:
    """Every speaker of the plan is driven."""
    for speaker in context.plan.speakers:
        if speaker.id not in context.channels_of_speaker:
            left = " or, if it stays on the factory system, take it out" if speaker.factory else ""
            yield Finding(
                "speaker-without-channel",
                "stop",
                f"No channel drives the {speaker_name(speaker)}",
                (speaker.id,),
                f"Put it on a channel{left}.",
                "the plan itself",
            )


@rule("speaker-on-two-channels", "channels", "stop", "note", sources=(COMMON_PRACTICE,))
def speaker_on_two_channels(context: Context) -> Iterator[Finding]:
    """One speaker, one source; a speaker of two separate coils may have one for each."""
    for speaker_id, channels in context.channels_of_speaker.items():
        if len(channels) < 2:
            continue
        speaker = context.speakers.get(speaker_id)
        if speaker is None:
            continue
        names = listed(channel_name(context, channel) for channel in channels)
        where = (*dict.fromkeys(channel.id for channel in channels), speaker_id)
        if (
            len(channels) == 2
            and channels[0].id != channels[1].id
            and speaker.coils == 2
            and speaker.coil_joining == "single"
        ):
            yield Finding(
                "speaker-on-two-channels",
                "note",
                f"The {speaker_name(speaker)} has a channel for each coil: {names}",
                where,
                "Give both channels the same signal, level and polarity.",
                COMMON_PRACTICE,
            )
            continue
        yield Finding(
            "speaker-on-two-channels",
            "stop",
            f"{len(channels)} channels drive the {speaker_name(speaker)}: {names}",
            where,
            "Keep one. Two outputs on one coil drive current into each other.",
            COMMON_PRACTICE,
        )


@rule("bridging", "channels", "stop", sources=(MAKER,))
def bridging(context: Context) -> Iterator[Finding]:
    """Only pairs the device allows are bridged, and the lower channel carries the speakers."""
    for channel in context.plan.channels:
        other = channel.bridged_with
        device = context.devices.get(channel.device)
        if other is None:
            if channel.speakers and (channel.device, channel.number) in context.bridged_away:
                yield _upper_half(context, channel)
            continue
        if device is None:
            continue
        pair = (min(channel.number, other), max(channel.number, other))
        if channel.kind == "line" or pair not in device.bridgeable:
            allowed = listed(f"{a} with {b}" for a, b in device.bridgeable) or "none"
            yield Finding(
                "bridging",
                "stop",
                f"{channel_name(context, channel)} is bridged with {other}, which is not allowed",
                (channel.id,),
                f"Bridge only pairs the maker allows ({allowed}), or drive it alone.",
                MAKER,
            )
        elif channel.number > other and channel.speakers:
            yield _upper_half(context, channel)


def _upper_half(context: Context, channel: Channel) -> Finding:
    return Finding(
        "bridging",
        "stop",
        f"{channel_name(context, channel)} is the second half of a bridged pair "
        "and carries a speaker of its own",
        (channel.id,),
        "Move the speaker to a free channel, or undo the bridge.",
        MAKER,
    )


@rule("load-under-minimum", "channels", "stop", sources=(MAKER, ARITHMETIC))
def load_under_minimum(context: Context) -> Iterator[Finding]:
    """The load each channel or bridged pair sees is one its maker allows."""
    for channel_id, error in context.load_errors.items():
        channel = context.channels[channel_id]
        if all(speaker_id in context.speakers for speaker_id in channel.speakers):
            yield Finding(
                "load-under-minimum",
                "stop",
                f"The load on {channel_name(context, channel)} is not known: {error.reason}",
                (channel_id, *channel.speakers),
                "Say how the speakers, and the coils of each, are joined.",
                ARITHMETIC,
            )
    for channel_id, load in context.load_ohm.items():
        channel = context.channels[channel_id]
        device = context.devices.get(channel.device)
        if device is None:
            continue
        bridged = channel.bridged_with is not None
        lowest = minimum_load(device, bridged)
        if lowest is not None:
            if load < lowest.load_ohm * 0.999:
                yield _under(context, channel, load, lowest.load_ohm, lowest.derived)
        elif device.ratings and channel_id in context.power_w:
            least = min((r.load_ohm for r in device.ratings if r.bridged is bridged), default=None)
            if least is not None and load < least * 0.999:
                yield _under(context, channel, load, least, True)


def _under(
    context: Context,
    channel: Channel,
    load: float,
    lowest: float,
    derived: bool,
) -> Finding:
    parts = [context.speakers[speaker_id] for speaker_id in channel.speakers]
    loads = speaker_loads_ohm(context.speakers, channel)
    behind = passive_set(context.speakers, channel)
    how = "alone" if len(parts) == 1 else channel.joining.replace("_", " and ")
    bridged = "" if channel.bridged_with is None else f", bridged with {channel.bridged_with}"
    assumed = ["nominal impedances, taken as resistances"]
    if derived:
        assumed.append(
            "the minimum is not stated for this use: twice that of a channel when bridged, "
            "else the lowest rated load"
        )
    return Finding(
        "load-under-minimum",
        "stop",
        f"{channel_name(context, channel)}{bridged}: {load:.3g} ohm, under its minimum of "
        f"{lowest:.3g} ohm",
        (channel.id, *channel.speakers),
        "Join the speakers or coils for a higher load, or use a channel that allows this one.",
        MAKER,
        (
            Figure(
                "Load",
                load,
                "ohm",
                "R = sum in series, 1/R = sum of 1/R in parallel",
                f"{listed(f'{each:g} ohm' for each in loads)}, "
                f"{how if behind is None else behind.how}",
                ARITHMETIC if behind is None else BEHIND,
                tuple(assumed),
            ),
            Figure("Minimum", lowest, "ohm", source=MAKER),
        ),
    )


@rule("load-measured-differs", "channels", "caution", sources=(LOWEST_IMPEDANCE, COMMON_PRACTICE))
def load_measured_differs(context: Context) -> Iterator[Finding]:
    """A meter on the wires agrees with the load the plan gives.

    The lowest impedance may be 80 % of the nominal one, and the resistance of the coil, which a
    meter reads, commonly is 80 % of that or more; an impedance meter reads up to 130 %. Outside 64
    to 130 % something is joined otherwise than the plan says. Nothing measured raises nothing.
    """
    for channel_id, load in context.load_ohm.items():
        channel = context.channels[channel_id]
        measured = channel.measured_load_ohm
        if measured is None or MEASURED_LOW * load <= measured <= MEASURED_HIGH * load:
            continue
        yield Finding(
            "load-measured-differs",
            "caution",
            f"{channel_name(context, channel)} measured {measured:.3g} ohm where the plan gives "
            f"{load:.3g} ohm",
            (channel_id, *channel.speakers),
            "Measure again at the amplifier's plug; look for a speaker missing, one too many, "
            "or coils joined otherwise.",
            LOWEST_IMPEDANCE,
            (
                Figure("Measured", measured, "ohm"),
                Figure(
                    "Expected",
                    load,
                    "ohm",
                    assumed=(
                        f"a reading within {MEASURED_LOW:.0%} and {MEASURED_HIGH:.0%} of the "
                        f"nominal load agrees: a coil's resistance is {COIL_SHARE:.0%} or more of "
                        "the lowest impedance, and an impedance meter reads up to the upper "
                        "figure (common practice, no source)",
                    ),
                ),
                Figure("Measured against expected", 100 * measured / load, "%"),
            ),
        )


@rule(
    "power-over-rating",
    "channels",
    "stop",
    "caution",
    sources=(MAKER, COMMON_PRACTICE),
    view="settings",
)
def power_over_rating(context: Context) -> Iterator[Finding]:
    """What the channel can put into a speaker, as limited and set, against the speaker's rating.

    A limit on the output counts first, then the level set, taken against a gain that gives the
    rated power at 0 dB. Above the rating is a caution. Above twice, or four times for a tweeter or
    midrange, which gets a part of the music's power only, is a stop (common practice, no source).
    """
    for channel, speaker in driven(context):
        rated = speaker.power_w
        power = context.power_w.get(channel.id)
        if rated is None or power is None:
            continue
        share = _share(context, channel, speaker)
        if power.power_w * share <= rated * 1.001:
            continue
        into = _held_w(context, channel, power.power_w)
        if into is not None and into.value * share > rated * 1.001:
            yield _over(context, channel, speaker, into, share, rated)


def _share(context: Context, channel: Channel, speaker: Speaker) -> float:
    if len(channel.speakers) == 1 and speaker.passive is None:
        return 1.0
    try:
        shares = channel_shares(context.speakers, channel)
    except LoadError:
        return 1.0
    return shares[channel.speakers.index(speaker.id)]


def _held_w(context: Context, channel: Channel, rated_w: float) -> Figure | None:
    """What the channel gives as limited and set [W], None where it is muted."""
    load = context.load_ohm[channel.id]
    limit = channel.output_limit_v
    how = context.power_w[channel.id].how
    if limit is not None:
        held = min(rated_w, limit**2 / load)
        return Figure(
            "Power of the channel", held, "W", "U^2 / R, at most the rated power",
            f"{limit:g} V squared / {load:.3g} ohm; {how}", ARITHMETIC,
            ("the output held to the voltage on record",),
        )  # fmt: skip
    if any(stage.setting.muted for stage in signal_path(context, channel)):
        return None
    peak = min(way_peak_db(context, channel) or 0.0, 0.0)
    assumed: tuple[str, ...] = ("full output, steady signal",)
    if peak < 0:
        assumed = ("gain set for the rated power at a level of 0 dB", "steady signal")
    return Figure(
        "Power of the channel", rated_w * 10 ** (peak / 10), "W", "rated power x 10^(level / 10)",
        f"{how}, {peak:.1f} dB", ARITHMETIC, assumed,
    )  # fmt: skip


def _over(
    context: Context, channel: Channel, speaker: Speaker, held: Figure, share: float, rated: float
) -> Finding:
    limited = speaker.kind in _BAND_LIMITED
    ratio = BAND_LIMITED_STOP_RATIO if limited else POWER_STOP_RATIO
    into = held.value * share
    volts = math.sqrt(rated / share * context.load_ohm[channel.id])
    level = 10 * math.log10(rated / (context.power_w[channel.id].power_w * share))
    return Finding(
        "power-over-rating",
        "stop" if into > ratio * rated else "caution",
        f"{channel_name(context, channel)} can put {into:.0f} W into the {speaker_name(speaker)}, "
        f"rated {rated:.0f} W",
        (channel.id, speaker.id),
        f"Hold the output to {_down(volts):g} V and write that on the channel, or bring its level, "
        f"filters and boosts together, to {_down(level):g} dB or less with the gain set for "
        "0 dB; or choose other parts.",
        f"{MAKER}; limits {COMMON_PRACTICE}",
        (
            Figure(
                "Power into the speaker",
                into,
                "W",
                "power of the channel x share of the speaker",
                f"{held.value:.4g} W x {share:.3g}",
                ARITHMETIC,
                (f"a stop above {ratio:g} times the rating",),
            ),
            held,
            Figure("Rated", rated, "W", source=MAKER),
        ),
    )


def _down(value: float) -> float:
    """Rounded to a tenth, downwards: what is told is enough."""
    return math.floor(value * 10) / 10


@rule("coils-not-joined", "channels", "stop", sources=(COMMON_PRACTICE,))
def coils_not_joined(context: Context) -> Iterator[Finding]:
    """Both coils of a speaker are fed: joined on one channel, or apart on a channel each."""
    for speaker in context.plan.speakers:
        channels = context.channels_of_speaker.get(speaker.id, ())
        if speaker.coils == 2 and speaker.coil_joining == "single" and len(channels) == 1:
            channel = channels[0]
            yield Finding(
                "coils-not-joined",
                "stop",
                f"The {speaker_name(speaker)} has two coils and {channel_name(context, channel)} "
                "feeds one: nobody said how they are joined",
                (channel.id, speaker.id),
                "Say whether they are in series or in parallel, or put the other coil on a channel "
                "of its own, set alike.",
                COMMON_PRACTICE,
            )


@rule("coils-fed-differently", "channels", "stop", sources=(COMMON_PRACTICE,), view="settings")
def coils_fed_differently(context: Context) -> Iterator[Finding]:
    """Two channels on one driver have the same settings, polarity and power."""
    for speaker in context.plan.speakers:
        channels = context.channels_of_speaker.get(speaker.id, ())
        if len(channels) != 2 or channels[0] is channels[1] or speaker.coils != 2:
            continue
        if speaker.coil_joining != "single":
            continue
        unlike = _unlike(context, *channels)
        if unlike:
            yield Finding(
                "coils-fed-differently",
                "stop",
                f"The two coils of the {speaker_name(speaker)} are fed differently: "
                f"{listed(unlike)}",
                (channels[0].id, channels[1].id, speaker.id),
                "Make both channels alike, each setting and the polarity: the coils move one cone "
                "and would work against each other.",
                COMMON_PRACTICE,
            )


SAME_POWER_RATIO: Final = 1.1


def _unlike(context: Context, one: Channel, other: Channel) -> list[str]:
    """What differs between two channels, each with all that feeds it."""
    ways = [[stage.setting for stage in signal_path(context, each)] for each in (one, other)]
    flipped = [sum(each.inverted for each in way) % 2 for way in ways]
    unlike = ["polarity"] if flipped[0] != flipped[1] else []
    for name, words in (("high_pass", "high-pass"), ("low_pass", "low-pass")):
        filters = [[getattr(each, name) for each in way if getattr(each, name)] for way in ways]
        if filters[0] != filters[1]:
            unlike.append(words)
    for name, words, unit in (("level_db", "level", "dB"), ("delay_ms", "delay", "ms")):
        totals = [sum(getattr(each, name) for each in way) for way in ways]
        if abs(totals[0] - totals[1]) > 1e-6:
            unlike.append(f"{words} {totals[0]:g} and {totals[1]:g} {unit}")
    if any(each.muted for each in ways[0]) != any(each.muted for each in ways[1]):
        unlike.append("one is muted")
    sections = [[section for each in way for section in each.sections] for way in ways]
    if sections[0] != sections[1]:
        unlike.append("equaliser")
    powers = [context.power_w.get(each.id) for each in (one, other)]
    if powers[0] is not None and powers[1] is not None:
        low, high = sorted((powers[0].power_w, powers[1].power_w))
        if high > SAME_POWER_RATIO * low:
            unlike.append(f"power {powers[0].power_w:.0f} and {powers[1].power_w:.0f} W")
    return unlike


@rule("passive-load-stated", "channels", "caution", sources=(MAKER, BEHIND))
def passive_load_stated(context: Context) -> Iterator[Finding]:
    """A load stated for a set of speakers stands beside passive parts, and agrees with them."""
    for channel in context.plan.channels:
        stated = channel.stated_load_ohm
        if stated is None or not channel.speakers:
            continue
        free = msgspec.structs.replace(channel, stated_load_ohm=None)
        try:
            behind = passive_set(context.speakers, free)
        except LoadError:
            continue
        if behind is None:
            yield Finding(
                "passive-load-stated",
                "caution",
                f"{channel_name(context, channel)} has a load stated for a passive crossover, and "
                "no speaker on it has passive parts",
                (channel.id, *channel.speakers),
                "Write the passive parts of its speakers down, or take the stated load out: it "
                "does not count.",
                MAKER,
            )
        elif stated * NOMINAL_DIP > behind.lowest_ohm * 1.001:
            yield Finding(
                "passive-load-stated",
                "caution",
                f"{channel_name(context, channel)}: {stated:.3g} ohm is stated for the set, whose "
                f"impedance comes down to {behind.lowest_ohm:.3g} ohm at "
                f"{frequency_name(behind.lowest_hz)}",
                (channel.id, *channel.speakers),
                "Check the values and the statement; the lower of the two is the safe one.",
                BEHIND,
                (
                    Figure("Lowest impedance", behind.lowest_ohm, "ohm",
                           "1 / |sum of 1 / Z of the branches|, 20 Hz to 20 kHz",
                           behind.how, BEHIND, ("drivers taken as resistances",)),
                    Figure("Stated", stated, "ohm", source=MAKER),
                ),
            )  # fmt: skip


@rule("passive-unknown", "tuning", "caution", sources=("the plan itself",))
def passive_unknown(context: Context) -> Iterator[Finding]:
    """Passive parts stand before a speaker, and nobody wrote what they do."""
    for speaker in context.plan.speakers:
        own = speaker.passive
        if own is not None and not (own.parts or own.high_pass or own.low_pass):
            yield Finding(
                "passive-unknown",
                "caution",
                f"The {speaker_name(speaker)} has passive parts, and nobody wrote their values or "
                "corners: they protect nothing here",
                (speaker.id,),
                "Read the values off the parts, or the corners in the maker's sheet.",
                "the plan itself",
            )


@rule("passive-values", "tuning", "note", sources=(SERIES_SOURCE,))
def passive_values(context: Context) -> Iterator[Finding]:
    """Values of passive parts that no shop sells: another figure or power of ten may be meant."""
    for speaker in context.plan.speakers:
        own = speaker.passive
        if own is None:
            continue
        odd = [words for part in own.parts for words in _odd_values(part)]
        if odd:
            yield Finding(
                "passive-values",
                "note",
                f"Passive parts of the {speaker_name(speaker)} have values of no series: "
                f"{listed(odd)}",
                (speaker.id,),
                "Read the print on the parts again; a measured value may stay.",
                SERIES_SOURCE,
            )


def _odd_values(part: PassivePart) -> Iterator[str]:
    for value, scale, unit in (
        (part.capacitance_f, 1e6, "µF"),
        (part.inductance_h, 1e3, "mH"),
    ):
        if value is not None and not is_preferred(value):
            near = preferred(value)
            yield f"{value * scale:.3g} {unit} (nearest {near * scale:.3g} {unit})"
