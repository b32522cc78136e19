"""Reading a channel plan: what feeds what, through which filters, and names for people.

An input drives the channel of its number; a device with fewer inputs than channels shares them
round. A device that can mix (it has a sample rate) may send any input to any channel, so every
line that feeds it counts as a source of each of its channels.
"""

import re
from collections.abc import Iterator
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

from wiring.context import Context, worked_out_once
from wiring.filters.crossovers import Direction, Filter, exists, stated_corners
from wiring.filters.passive import passive_filters
from wiring.loads import speaker_load_ohm
from wiring.plan import Channel, Crossover, Setting, Speaker
from wiring.positions import POSITIONS, Side

Path = tuple[Channel, ...]
"""A channel, then the channel that feeds it, and so on back to the first known source."""

_MOST_STAGES: Final = 6
KIND_ORDER: Final[dict[str, int]] = {
    "subwoofer": 0,
    "woofer": 1,
    "midbass": 2,
    "midrange": 3,
    "tweeter": 4,
}
"""Kinds that share a position's band with others, lowest first."""


def side_of(speaker: Speaker) -> Side | None:
    """Which side of the car the speaker is on, None at an unknown position."""
    position = POSITIONS.get(speaker.position)
    return None if position is None else position.side


@worked_out_once
def lines_into(context: Context) -> dict[str, list[Channel]]:
    """Per device, the channels that feed its inputs, in plan order."""
    lines: dict[str, list[Channel]] = {}
    for channel in context.plan.channels:
        if channel.feeds_device is not None:
            lines.setdefault(channel.feeds_device, []).append(channel)
    return lines


def sources(context: Context, channel: Channel) -> list[Channel]:
    """Channels whose signal may drive this one, nearest stage only."""
    into = lines_into(context).get(channel.device)
    if not into:
        return []
    device = context.devices.get(channel.device)
    if device is None or device.sample_rate_hz is not None:
        return into
    count = device.line_inputs or len(into)
    wanted = (channel.number - 1) % count + 1
    own = [line for line in into if line.feeds_input == wanted]
    return own or into


def paths(context: Context, channel: Channel) -> list[Path]:
    """Every way a signal reaches the channel; one path of the channel alone when nothing feeds it.

    Loops are cut where they close.
    """
    if channel.device not in lines_into(context):
        return [(channel,)]
    return list(_walk(context, (channel,)))


def _walk(context: Context, path: Path) -> Iterator[Path]:
    seen = {stage.device for stage in path}
    further = [line for line in sources(context, path[-1]) if line.device not in seen]
    if not further or len(path) >= _MOST_STAGES:
        yield path
        return
    for line in further:
        yield from _walk(context, (*path, line))


@worked_out_once
def signal_path(context: Context, channel: Channel) -> Path:
    """The one way taken as the channel's signal: at each stage the input of its own number.

    Where no input has that number, the first line that feeds the device.
    """
    path: Path = (channel,)
    seen = {channel.device}
    while len(path) < _MOST_STAGES:
        into = [line for line in sources(context, path[-1]) if line.device not in seen]
        if not into:
            break
        own = [line for line in into if line.feeds_input == path[-1].number]
        nearest = (own or into)[0]
        path = (*path, nearest)
        seen.add(nearest.device)
    return path


def filters_of(setting: Setting, direction: Direction) -> tuple[Crossover, ...]:
    """Filters of one direction in a setting: the crossover, then equaliser sections of that kind.

    A section counts as a second-order Butterworth filter when its q is at most 1, otherwise not
    at all. A filter that does not exist (Linkwitz-Riley of odd order) counts as the next lower.
    """
    main = setting.high_pass if direction == "high_pass" else setting.low_pass
    if main is not None and not exists(main.family, main.order):
        main = Crossover(main.family, main.order - 1, main.frequency_hz) if main.order > 2 else None
    filters: tuple[Crossover, ...] = () if main is None else (main,)
    if setting.sections:
        filters += tuple(
            Crossover("butterworth", 2, section.frequency_hz)
            for section in setting.sections
            if section.kind == direction and section.q <= 1.0
        )
    return filters


def passive_of(speaker: Speaker, direction: Direction) -> tuple[Filter, ...]:
    """What stands before a speaker as filters of one direction: its values, or stated corners."""
    own = speaker.passive
    if own is None:
        return ()
    if own.parts:
        found = passive_filters(own.parts, speaker_load_ohm(speaker))
        return tuple(one for one in found if one.direction == direction)
    return tuple(
        one
        for one, way in stated_corners(own)
        if way == direction and exists(one.family, one.order)
    )


def chain_filters(
    context: Context, channel: Channel, direction: Direction, speaker: Speaker | None = None
) -> list[tuple[Filter, ...]]:
    """Per path to the channel, all filters of one direction on it.

    With a speaker of the channel, what stands before that speaker too.
    """
    last: tuple[Filter, ...] = () if speaker is None else passive_of(speaker, direction)
    if channel.device not in lines_into(context):
        return [(*filters_of(channel.setting, direction), *last)]
    return [
        (*(each for stage in path for each in filters_of(stage.setting, direction)), *last)
        for path in paths(context, channel)
    ]


def path_filters(
    context: Context, channel: Channel, direction: Direction, speaker: Speaker | None = None
) -> tuple[Filter, ...]:
    """All filters of one direction on the one way taken as the channel's signal."""
    last: tuple[Filter, ...] = () if speaker is None else passive_of(speaker, direction)
    way = signal_path(context, channel)
    return (*(each for stage in way for each in filters_of(stage.setting, direction)), *last)


def band_hz(context: Context, channel: Channel) -> tuple[float | None, float | None]:
    """Highest high-pass and lowest low-pass corner on the way [Hz], None where there is
    none; of several speakers behind passive parts the widest band."""
    speakers: list[Speaker | None] = [
        one for each in channel.speakers if (one := context.speakers.get(each)) is not None
    ]
    lows: list[float] = []
    highs: list[float] = []
    for speaker in speakers or [None]:
        low = [f.frequency_hz for f in path_filters(context, channel, "high_pass", speaker)]
        high = [f.frequency_hz for f in path_filters(context, channel, "low_pass", speaker)]
        lows.append(max(low, default=0.0))
        highs.append(min(high, default=float("inf")))
    bottom, top = min(lows), max(highs)
    return bottom or None, None if top == float("inf") else top


def driven(context: Context) -> Iterator[tuple[Channel, Speaker]]:
    """Every amplifier channel with each known speaker it feeds, in plan order."""
    speakers = context.speakers
    for channel in context.plan.channels:
        if channel.kind == "amplifier":
            for speaker_id in channel.speakers:
                speaker = speakers.get(speaker_id)
                if speaker is not None:
                    yield channel, speaker


class Meeting(NamedTuple):
    """Two drivers that share a band, the lower first: of one zone and side, or a subwoofer and
    the lowest drivers at the front."""

    low: Channel
    lower: Speaker
    high: Channel
    upper: Speaker

    def filters(self, context: Context) -> tuple[tuple[Filter, ...], tuple[Filter, ...]]:
        """Low-passes of the lower driver and high-passes of the upper one."""
        return (
            path_filters(context, self.low, "low_pass", self.lower),
            path_filters(context, self.high, "high_pass", self.upper),
        )


_Entry = tuple[int, Channel, Speaker]


@worked_out_once
def meetings(context: Context) -> list[Meeting]:
    """Neighbours in band, per zone and side in plan order, then subwoofers with the front.

    Two on one channel meet where passive parts divide the band between them.
    """
    places: dict[tuple[str, str], list[_Entry]] = {}
    front: dict[str, list[_Entry]] = {}
    subs: list[_Entry] = []
    for channel, speaker in driven(context):
        rank = KIND_ORDER.get(speaker.kind)
        position = POSITIONS.get(speaker.position)
        if position is None:
            continue
        if rank is not None:
            key = (position.zone, position.side)
            places.setdefault(key, []).append((rank, channel, speaker))
        if rank == 0:
            subs.append((rank, channel, speaker))
        elif position.zone == "front" and speaker.kind != "tweeter":
            wide = KIND_ORDER["midbass"] if rank is None else rank
            front.setdefault(position.side, []).append((wide, channel, speaker))
    meeting_pairs: list[Meeting] = []
    for entries in places.values():
        if len(entries) < 2:
            continue
        entries.sort(key=_rank)
        for (low_rank, low, lower), (high_rank, high, upper) in pairwise(entries):
            if low_rank != high_rank and (low is not high or lower.passive or upper.passive):
                meeting_pairs.append(Meeting(low, lower, high, upper))
    meeting_pairs += _with_front(context, subs, front, set(map(_drivers, meeting_pairs)))
    return meeting_pairs


def _drivers(meeting: Meeting) -> tuple[str, str]:
    return meeting.lower.id, meeting.upper.id


def _with_front(
    context: Context,
    subs: list[_Entry],
    front: dict[str, list[_Entry]],
    known: set[tuple[str, str]],
) -> Iterator[Meeting]:
    """Each subwoofer with the lowest driver at the front, left and right.

    A centre beside them may leave the bass to them; alone at the front it is compared. Pairs set
    alike are one meeting while no distances tell them apart.
    """
    met: set[object] = set()
    paired = "left" in front or "right" in front
    for _, low, lower in subs:
        for side in ("left", "right", "centre"):
            if (side == "centre" and paired) or not (entries := front.get(side)):
                continue
            lowest = min(entry[0] for entry in entries)
            _, high, upper = next(entry for entry in entries if entry[0] == lowest)
            if low is high or (lower.id, upper.id) in known:
                continue
            alike = (
                _way(context, low), lower.passive, lower.id in context.distances_m,
                _way(context, high), upper.passive, upper.kind,
                upper.id if upper.id in context.distances_m else None,
            )  # fmt: skip
            if alike not in met:
                met.add(alike)
                yield Meeting(low, lower, high, upper)


def _way(context: Context, channel: Channel) -> tuple[Setting, ...]:
    return tuple(stage.setting for stage in signal_path(context, channel))


def _rank(entry: _Entry) -> int:
    return entry[0]


_LEFT_WORDS: Final = frozenset({"left", "lh"})
_RIGHT_WORDS: Final = frozenset({"right", "rh"})
_LEFT_SHORT: Final = frozenset({"lf", "fl", "lr", "rl"})
_RIGHT_SHORT: Final = frozenset({"rf", "fr", "rr"})


class LabelledSide(NamedTuple):
    """The side a label names; `plain` when it says so in a word and not by two letters."""

    side: Side
    plain: bool


@lru_cache(maxsize=2048)
def labelled_side(text: str) -> LabelledSide | None:
    """The side a label names ("FL door", "rear right"), None when it names none or both.

    Two letters are read as the trade does: F and R for front and rear, L and R for the sides.
    """
    words = set(re.findall(r"[a-z]+", text.lower()))
    for left_words, right_words, plain in (
        (_LEFT_WORDS, _RIGHT_WORDS, True),
        (_LEFT_SHORT, _RIGHT_SHORT, False),
    ):
        left = not words.isdisjoint(left_words)
        if left != (not words.isdisjoint(right_words)):
            return LabelledSide("left" if left else "right", plain)
        if left:
            return None
    return None
