"""Rules about channels and the speakers on them: known parts, numbers, bridging, load, power."""

from collections.abc import Iterator
from typing import Final

from wiring.channels.signal_path import driven
from wiring.context import Context, rule
from wiring.findings import Figure, Finding
from wiring.loads import (
    LoadError,
    minimum_load,
    power_shares,
    speaker_loads_ohm,
)
from wiring.names import channel_name, listed, speaker_name
from wiring.plan import Channel, Speaker
from wiring.positions import POSITIONS

COMMON_PRACTICE: Final = "common practice, no source"
MAKER: Final = "the maker's data of the parts"
ARITHMETIC: Final = "Ohm's law; parts in series and parallel"

MEASURED_LOW: Final = 0.65
MEASURED_HIGH: Final = 1.30
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
            yield _number(context, channel, "is in the plan twice", "Remove one of the two rows.")
        seen.add(key)
        device = context.devices.get(channel.device)
        if device is not None:
            amplifier = channel.kind == "amplifier"
            count = device.amplifier_channels if amplifier else device.line_outputs
            if channel.number > count:
                yield _number(
                    context,
                    channel,
                    f"does not exist: the device has {count}",
                    "Correct the number, or the device's data in the catalogue.",
                )
        if channel.kind == "line" and channel.speakers:
            yield _number(
                context,
                channel,
                "is said to drive a speaker, which a line output cannot",
                "Feed an amplifier from it and put the speaker on that amplifier's channel.",
            )


def _number(context: Context, channel: Channel, what: str, to_do: str) -> Finding:
    title = f"{channel_name(context, channel)} {what}"
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
                f"{listed(f'{each:g} ohm' for each in loads)}, {how}",
                ARITHMETIC,
                tuple(assumed),
            ),
            Figure("Minimum", lowest, "ohm", source=MAKER),
        ),
    )


@rule("load-measured-differs", "channels", "caution", sources=(COMMON_PRACTICE,))
def load_measured_differs(context: Context) -> Iterator[Finding]:
    """A meter on the wires agrees with the load the plan gives.

    A meter reads a coil's resistance, commonly 70 to 95 % of its nominal impedance, plus the
    cable; an impedance meter reads a little above. Outside 65 to 130 % something is joined
    otherwise than the plan says.
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
            COMMON_PRACTICE,
            (
                Figure("Measured", measured, "ohm"),
                Figure(
                    "Expected",
                    load,
                    "ohm",
                    assumed=(
                        f"a reading within {MEASURED_LOW:.0%} and {MEASURED_HIGH:.0%} of the "
                        "nominal load agrees",
                    ),
                ),
            ),
        )


@rule("power-over-rating", "channels", "stop", "caution", sources=(MAKER, COMMON_PRACTICE))
def power_over_rating(context: Context) -> Iterator[Finding]:
    """What the channel can put into a speaker against what the speaker is rated for.

    Above the rating is a caution. Above twice, or four times for a tweeter or midrange, which
    gets a part of the music's power only, is a stop (common practice, no source).
    """
    for channel, speaker in driven(context):
        rated = speaker.power_w
        if rated is None:
            continue
        power = context.power_w.get(channel.id)
        if power is None:
            continue
        into = power.power_w
        if into <= rated:
            continue
        if len(channel.speakers) > 1:
            into *= _share(context, channel, speaker)
        if into > rated * 1.001:
            yield _over(context, channel, speaker, into, rated, power.how)


def _share(context: Context, channel: Channel, speaker: Speaker) -> float:
    try:
        shares = power_shares(speaker_loads_ohm(context.speakers, channel), channel.joining)
    except LoadError:
        return 1.0
    return shares[channel.speakers.index(speaker.id)]


def _over(
    context: Context, channel: Channel, speaker: Speaker, into: float, rated: float, how: str
) -> Finding:
    limited = speaker.kind in _BAND_LIMITED
    ratio = BAND_LIMITED_STOP_RATIO if limited else POWER_STOP_RATIO
    return Finding(
        "power-over-rating",
        "stop" if into > ratio * rated else "caution",
        f"{channel_name(context, channel)} can put {into:.0f} W into the {speaker_name(speaker)}, "
        f"rated {rated:.0f} W",
        (channel.id, speaker.id),
        "Set the level so that the speaker's rating is kept and note it, or choose other parts.",
        f"{MAKER}; limits {COMMON_PRACTICE}",
        (
            Figure(
                "Power into the speaker",
                into,
                "W",
                "power of the channel x share of the speaker",
                how,
                ARITHMETIC,
                ("full output, steady signal", f"a stop above {ratio:g} times the rating"),
            ),
            Figure("Rated", rated, "W", source=MAKER),
        ),
    )
