"""Rules about left and right: crossed, unpaired, set differently."""

from collections.abc import Iterator
from typing import Final

import msgspec

from wiring.channels.signal_path import driven, labelled_side, side_of
from wiring.context import Context, rule, worked_out_once
from wiring.filters.crossovers import describe
from wiring.findings import Finding
from wiring.names import channel_name, listed, position_name, speaker_name
from wiring.plan import Channel, Setting, Speaker
from wiring.positions import counterpart
from wiring.rules.crossovers import NOTHING_SET

NUMBERING: Final = "common practice, no source: odd channels left, even channels right"
LEVEL_DIFFERENCE_DB: Final = 6.0
_OFTEN_ALONE: Final = frozenset({"subwoofer"})

Pair = tuple[Channel, Speaker, Channel, Speaker]


@worked_out_once
def _by_place(context: Context) -> dict[tuple[str, str], tuple[Channel, Speaker]]:
    """Driven speakers by position and kind."""
    return {(speaker.position, speaker.kind): (c, speaker) for c, speaker in driven(context)}


@worked_out_once
def side_pairs(context: Context) -> list[Pair]:
    """(left channel, left speaker, right channel, right speaker) for each driven pair of a kind."""
    by_place = _by_place(context)
    pairs: list[Pair] = []
    for (position, kind), (channel, speaker) in by_place.items():
        if position.endswith("_left"):
            other = by_place.get((position[:-4] + "right", kind))
            if other is not None:
                pairs.append((channel, speaker, *other))
    return pairs


@rule("sides-crossed", "channels", "stop", "caution", sources=("the plan itself", NUMBERING))
def sides_crossed(context: Context) -> Iterator[Finding]:
    """The channel that is left by number or by its wire's label goes to the left speaker."""
    for channel, speaker in driven(context):
        if channel.wire is not None and channel.wire.connector:
            label = labelled_side(channel.wire.connector)
            if label is not None:
                side = side_of(speaker)
                if side in ("left", "right") and side != label.side:
                    yield _label_crossed(context, channel, speaker, label.plain)
    adjacent: dict[str, int] = {}
    crossed: dict[str, list[Pair]] = {}
    for pair in side_pairs(context):
        left, right = pair[0], pair[2]
        if left.device != right.device:
            continue
        step = 2 if left.bridged_with is not None and right.bridged_with is not None else 1
        low, high = sorted((left.number, right.number))
        if high - low != step or low % 2 == 0:
            continue
        adjacent[left.device] = adjacent.get(left.device, 0) + 1
        if left.number > right.number:
            crossed.setdefault(left.device, []).append(pair)
    for device_id, pairs in crossed.items():
        if len(pairs) == adjacent[device_id] and len(pairs) > 1:
            yield _reversed_throughout(context, device_id, pairs)
            continue
        for pair in pairs:
            yield _number_crossed(context, pair)
    yield from _lines_crossed(context)


def _label_crossed(context: Context, channel: Channel, speaker: Speaker, plain: bool) -> Finding:
    assert channel.wire is not None
    return Finding(
        "sides-crossed",
        "stop" if plain else "caution",
        f"{channel_name(context, channel)} feeds the {speaker_name(speaker)} over a wire labelled "
        f"“{channel.wire.connector}”",
        (channel.id, speaker.id),
        "Play one side alone and listen where it sounds, then correct the wire or its label.",
        "the plan itself",
    )


def _number_crossed(context: Context, pair: Pair) -> Finding:
    left, left_speaker, right, right_speaker = pair
    return Finding(
        "sides-crossed",
        "caution",
        f"Left and right look crossed: {channel_name(context, left)} feeds the "
        f"{speaker_name(left_speaker)} and channel {right.number} the "
        f"{speaker_name(right_speaker)}",
        (left.id, right.id, left_speaker.id, right_speaker.id),
        "Play one side alone and listen where it sounds; swap the two, or give the reason.",
        NUMBERING,
    )


def _reversed_throughout(context: Context, device_id: str, pairs: list[Pair]) -> Finding:
    device = context.devices.get(device_id)
    name = device.name if device is not None else device_id
    where = tuple(channel.id for pair in pairs for channel in (pair[0], pair[2]))
    return Finding(
        "sides-crossed",
        "caution",
        f"All {len(pairs)} pairs of {name} have the right side on the odd channel",
        where,
        "If that is meant, say so; else the two sides are swapped for the whole car.",
        NUMBERING,
    )


def _lines_crossed(context: Context) -> Iterator[Finding]:
    fed = {
        (channel.device, channel.number): channel
        for channel in context.plan.channels
        if channel.feeds_device is not None and channel.feeds_input is not None
    }
    for (device_id, number), odd in fed.items():
        if number % 2 == 0:
            continue
        even = fed.get((device_id, number + 1))
        if even is None or even.kind != odd.kind or even.feeds_device != odd.feeds_device:
            continue
        first, second = odd.feeds_input or 0, even.feeds_input or 0
        if second % 2 and first == second + 1:
            yield Finding(
                "sides-crossed",
                "caution",
                f"{channel_name(context, odd)} feeds input {first} and its neighbour input "
                f"{second}: left and right look crossed",
                (odd.id, even.id),
                "Swap the two plugs, or give the reason.",
                NUMBERING,
            )


def _entered(own: Setting, other: Setting) -> Setting:
    """A setting without the filters that the other one does not have yet."""
    return msgspec.structs.replace(
        own,
        high_pass=own.high_pass if other.high_pass else None,
        low_pass=own.low_pass if other.low_pass else None,
    )


@rule("side-unpaired", "channels", "caution", sources=("common practice, no source",))
def side_unpaired(context: Context) -> Iterator[Finding]:
    """A driver on one side has its like on the other.

    While the plan is being entered and a channel is still without a speaker, nothing is said.
    """
    by_place = _by_place(context)
    if context.plan.unfinished and _rows_left(context):
        return
    for (position, kind), (channel, speaker) in by_place.items():
        other = counterpart(position)
        if other is None or kind in _OFTEN_ALONE or (other, kind) in by_place:
            continue
        if any(s.position == other and s.kind == kind for s in context.plan.speakers):
            continue
        yield Finding(
            "side-unpaired",
            "caution",
            f"The {speaker_name(speaker)} has no partner on the other side",
            (channel.id, speaker.id),
            f"Add the speaker at {position_name(other)} and its channel, or give the reason.",
            "common practice, no source",
        )


def _rows_left(context: Context) -> bool:
    """Some amplifier channel feeds nothing yet."""
    return any(
        channel.kind == "amplifier"
        and not channel.speakers
        and channel.feeds_device is None
        and (channel.device, channel.number) not in context.bridged_away
        for channel in context.plan.channels
    )


@rule(
    "sides-differ", "channels", "caution", sources=("common practice, no source",), view="settings"
)
def sides_differ(context: Context) -> Iterator[Finding]:
    """Both sides of a pair have the same crossover, polarity and nearly the same level.

    Delay and equaliser may differ: that is tuning. While the plan is being entered, a filter that
    one side has and the other has not yet is not compared, nor a row with one nobody touched.
    """
    waiting = context.plan.unfinished
    for left, left_speaker, right, right_speaker in side_pairs(context):
        a, b = left.setting, right.setting
        if left is right or a is b:
            continue
        if waiting:
            if NOTHING_SET in (a, b):
                continue
            a, b = _entered(a, b), _entered(b, a)
        if (
            a.high_pass == b.high_pass
            and a.low_pass == b.low_pass
            and a.inverted == b.inverted
            and a.muted == b.muted
            and abs(a.level_db - b.level_db) <= LEVEL_DIFFERENCE_DB
        ):
            continue
        differences = []
        if a.high_pass != b.high_pass:
            differences.append(f"high-pass {describe(a.high_pass)} and {describe(b.high_pass)}")
        if a.low_pass != b.low_pass:
            differences.append(f"low-pass {describe(a.low_pass)} and {describe(b.low_pass)}")
        if a.inverted != b.inverted:
            differences.append(f"polarity inverted {'left' if a.inverted else 'right'} only")
        if a.muted != b.muted:
            differences.append(f"muted {'left' if a.muted else 'right'} only")
        if abs(a.level_db - b.level_db) > LEVEL_DIFFERENCE_DB:
            differences.append(f"level {a.level_db:+.1f} and {b.level_db:+.1f} dB")
        yield Finding(
            "sides-differ",
            "caution",
            f"The sides of the {speaker_name(left_speaker)} are set differently: "
            f"{listed(differences)}",
            (left.id, right.id, left_speaker.id, right_speaker.id),
            "Make both sides alike, or give the reason.",
            f"common practice, no source; levels may differ by {LEVEL_DIFFERENCE_DB:g} dB",
        )
