"""Rules about the wires of channels: written down, named by a code, polarity as planned."""

from collections.abc import Iterator
from typing import Final

from wiring import colours
from wiring.channels.heard import place_apart, source_place
from wiring.context import Context, rule
from wiring.findings import Finding
from wiring.names import channel_name
from wiring.plan import Channel, Lead, Wire

COMMON_PRACTICE: Final = "common practice, no source"


def is_written(wire: Wire | None) -> bool:
    """Whether the wire says anything by which it could be found again."""
    if wire is None:
        return False
    if wire.connector:
        return True
    a, b = wire.positive, wire.negative
    return bool(a.cavity or a.base or b.cavity or b.base)


@rule("wire-without-speaker", "channels", "caution", sources=("the plan itself",))
def wire_without_speaker(context: Context) -> Iterator[Finding]:
    """A wire is written down where nothing is fed.

    While the plan is being entered, it waits until a channel of the device feeds something.
    """
    for channel in context.plan.channels:
        if context.plan.unfinished and not context.feeding(channel.device):
            continue
        if (
            channel.wire is not None
            and not channel.speakers
            and channel.feeds_device is None
            and (channel.device, channel.number) not in context.bridged_away
            and is_written(channel.wire)
        ):
            yield Finding(
                "wire-without-speaker",
                "caution",
                f"{channel_name(context, channel)} has a wire and feeds nothing",
                (channel.id,),
                "Say what it feeds, or remove the wire; insulate an unused lead.",
                "the plan itself",
            )


@rule("wire-not-written", "channels", "caution", sources=(COMMON_PRACTICE,))
def wire_not_written(context: Context) -> Iterator[Finding]:
    """A speaker is fed and nobody wrote over which wire.

    While the plan is being entered, a row is missed once one below it on its device is written.
    """
    written = [one.id for one in context.plan.channels if is_written(one.wire)]
    for channel in context.plan.channels:
        if context.plan.unfinished and not any(
            context.channels[other].device == channel.device
            and context.channels[other].kind == channel.kind
            and context.channels[other].number > channel.number
            for other in written
        ):
            continue
        if channel.speakers and channel.kind == "amplifier" and not is_written(channel.wire):
            yield Finding(
                "wire-not-written",
                "caution",
                f"The wire of {channel_name(context, channel)} is not written down",
                (channel.id, *channel.speakers),
                "Write its plug, pin and colours while it can be seen.",
                COMMON_PRACTICE,
            )


@rule("wire-colour", "channels", "caution", "note", sources=(colours.SOURCE, "the plan itself"))
def wire_colour(context: Context) -> Iterator[Finding]:
    """Colours are codes of IEC 60757; green with yellow is told, since it marks earth elsewhere.

    While the plan is being entered, two leads are compared once a pin of them is written.
    """
    for channel in context.plan.channels:
        wire = channel.wire
        if wire is None:
            continue
        for lead, sign in ((wire.positive, "+"), (wire.negative, "-")):
            if lead.base or lead.stripe:
                yield from _lead_colour(context, channel, lead, sign)
        half = context.plan.unfinished and not wire.positive.cavity
        if wire.positive.base and wire.positive == wire.negative and not half:
            yield Finding(
                "wire-colour",
                "caution",
                f"{channel_name(context, channel)}: both leads are written the same, "
                f"{colours.describe(wire.positive.base, wire.positive.stripe)}",
                (channel.id,),
                "Look again: the two leads of a speaker differ in pin or colour.",
                "the plan itself",
            )


def _lead_colour(context: Context, channel: Channel, lead: Lead, sign: str) -> Iterator[Finding]:
    if lead.base in colours.NAMES and not lead.stripe and lead.base != "GNYE":
        return
    problem = colours.problem(lead.base, lead.stripe)
    if problem is None:
        return
    unknown = problem.kind == "unknown"
    yield Finding(
        "wire-colour",
        "caution" if unknown else "note",
        f"{channel_name(context, channel)}, lead {sign}: {problem.message}",
        (channel.id,),
        f"Use one of {', '.join(colours.CODES)}." if unknown else "Label the wire.",
        colours.SOURCE,
    )


@rule("polarity-not-proved", "channels", "caution", sources=(COMMON_PRACTICE,))
def polarity_not_proved(context: Context) -> Iterator[Finding]:
    """Channels whose polarity nobody has proved yet, all in one caution.

    While the plan is being entered, it waits until one of them is proved.
    """
    if context.plan.unfinished and not any(
        one.wire and one.wire.polarity_proved for one in context.plan.channels
    ):
        return
    open_channels = [
        channel
        for channel in context.plan.channels
        if channel.speakers
        and channel.kind == "amplifier"
        and (channel.wire is None or not channel.wire.polarity_proved)
        and is_written(channel.wire)
        and channel.polarity_heard != "contradicted"
    ]
    if open_channels:
        count = len(open_channels)
        first = channel_name(context, open_channels[0])
        yield Finding(
            "polarity-not-proved",
            "caution",
            f"Polarity is not proved on {first}" + (f" and {count - 1} more" if count > 1 else ""),
            tuple(channel.id for channel in open_channels),
            "Prove each with a battery tap, a polarity signal or by ear, and tick it.",
            COMMON_PRACTICE,
        )


@rule("polarity-contradicted", "channels", "caution", sources=(COMMON_PRACTICE,))
def polarity_contradicted(context: Context) -> Iterator[Finding]:
    """A recording says that a channel's polarity is not what its wiring and settings make it.

    A recording that cannot tell says nothing, nor does one from before a change of the wire, of
    what it feeds or of the polarity that is set.
    """
    for channel in context.plan.channels:
        if channel.polarity_heard != "contradicted" or not channel.speakers:
            continue
        proved = channel.wire is not None and channel.wire.polarity_proved
        yield Finding(
            "polarity-contradicted",
            "caution",
            f"{channel_name(context, channel)} was recorded with the other polarity than set"
            + (", though it was proved before" if proved else ""),
            (channel.id, *channel.speakers),
            "Look for plus and minus exchanged at the speaker and at the amplifier before anything "
            "is inverted in the processor, then record all channels again.",
            COMMON_PRACTICE,
        )


@rule("place-contradicted", "channels", "caution", sources=(COMMON_PRACTICE,))
def place_contradicted(context: Context) -> Iterator[Finding]:
    """A recording hears another channel of the source at a speaker than belongs to its place.

    Speakers of one channel that are at several places are not judged, nor is what a recording could
    not tell, or heard before a change of the wire, of what it feeds or of the lines that lead to
    it.
    """
    for channel in context.plan.channels:
        fed = [context.speakers[one] for one in channel.speakers if one in context.speakers]
        place = source_place(fed)
        if place is None:
            continue
        apart = place_apart(channel.heard_side, channel.heard_zone, *place)
        if apart is None:
            continue
        yield Finding(
            "place-contradicted",
            "caution",
            f"{channel_name(context, channel)} was recorded playing the {apart.heard}, where the "
            f"plan has the {apart.wanted}",
            (channel.id, *channel.speakers),
            "Look whether they are exchanged at the source, at the processor's inputs or at the "
            "wires, then let the channels be named again at this speaker.",
            COMMON_PRACTICE,
        )
