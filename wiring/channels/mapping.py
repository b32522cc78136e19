"""Carrying a channel plan over to other devices: which channel takes over from which, and levels.

Pure proposals: a person decides each, and the plan that comes out is checked as any.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

import msgspec

from wiring.channels import levels
from wiring.loads import LoadError, channel_load_ohm, join_ohm, minimum_load
from wiring.plan import Channel, Device, Plan, Speaker
from wiring.positions import POSITIONS

STEP_DB: Final = 0.1
"""Levels are proposed in steps of 0.1 dB, which every processor can set. Common practice, no
source."""


class Placement(msgspec.Struct, frozen=True):
    """Where one channel of the old plan goes: a channel of a new device, or nowhere and why.

    `bridged_with` is the other channel of the new pair. `joins` names the old channel whose new
    channel it shares, its speakers in parallel. `other` says that it is not simply the channel of
    the same number on the device that stands for the old one.
    """

    channel: str
    device: str | None = None
    kind: str = "amplifier"
    number: int | None = None
    bridged_with: int | None = None
    joins: str | None = None
    other: bool = False
    why: tuple[str, ...] = ()

    @property
    def target(self) -> str | None:
        """The new channel's id."""
        if self.device is None:
            return None
        return f"{self.device}.{'L' if self.kind == 'line' else ''}{self.number}"


class Carried(NamedTuple):
    """A whole proposal. Every old speaker is in `covered` (with its new channel) or in
    `uncovered` (with the reason), never in both. `free` are new channels without work."""

    placements: dict[str, Placement]
    covered: dict[str, str]
    uncovered: dict[str, str]
    free: tuple[str, ...]


class _Room:
    """The new devices' channels that are still free."""

    def __init__(self, devices: Sequence[Device], stands_for: Mapping[str, str | None]) -> None:
        self.devices = {device.id: device for device in devices}
        self.stands_for = stands_for
        taken = {new for new in stands_for.values() if new}
        self.order = sorted(devices, key=lambda device: device.id in taken)
        self.free = {
            (device.id, kind, number)
            for device in devices
            for kind, count in (
                ("amplifier", device.amplifier_channels),
                ("line", device.line_outputs),
            )
            for number in range(1, count + 1)
        }

    def pair(self, device: Device, number: int) -> int | None:
        """The free partner with which this free channel bridges."""
        for low, high in device.bridgeable:
            if number == low and {(device.id, "amplifier", n) for n in (low, high)} <= self.free:
                return high
        return None

    def take(self, device: str, kind: str, *numbers: int | None) -> None:
        for number in numbers:
            self.free.discard((device, kind, number or 0))

    def candidates(self, channel: Channel) -> Iterable[tuple[Device, int, bool]]:
        """Free channels for an old one: its own number first, then any, the unused devices first;
        the flag says that it is its own."""
        own = self.devices.get(self.stands_for.get(channel.device) or "")
        if own is not None and (own.id, channel.kind, channel.number) in self.free:
            yield own, channel.number, True
        near = [own] if own is not None else []
        for device in [*near, *(one for one in self.order if one is not own)]:
            count = device.line_outputs if channel.kind == "line" else device.amplifier_channels
            for number in range(1, count + 1):
                if (device.id, channel.kind, number) in self.free:
                    yield device, number, False


def _side(speaker: Speaker) -> str:
    place = POSITIONS.get(speaker.position)
    return place.side if place else speaker.position


def _alike(one: Channel, other: Channel, old: Mapping[str, Speaker]) -> bool:
    """Same kinds on the same side with the same filters: one channel may carry both."""

    def told(channel: Channel) -> tuple[object, ...]:
        speakers = [old[key] for key in channel.speakers if key in old]
        kinds = tuple(sorted({(_side(s), s.kind) for s in speakers}))
        return kinds, channel.setting.high_pass, channel.setting.low_pass, channel.setting.inverted

    return told(one) == told(other)


def _load_ohm(speakers: Mapping[str, Speaker], channel: Channel) -> float | None:
    known = tuple(key for key in channel.speakers if key in speakers)
    if not known:
        return None
    joining = channel.joining if len(known) == len(channel.speakers) else "parallel"
    single = "single" if len(known) == 1 else joining
    try:
        return channel_load_ohm(
            speakers, msgspec.structs.replace(channel, speakers=known, joining=single)
        )
    except LoadError:
        return None


def _load_warning(device: Device, load: float | None, bridged: bool) -> tuple[str, ...]:
    least = minimum_load(device, bridged)
    if load is None or least is None or load >= least.load_ohm * 0.999:
        return ()
    return (f"{load:.2g} Ω is under the least load of {device.name}, {least.load_ohm:.2g} Ω",)


def _place_amplifier(channel: Channel, room: _Room, load: float | None) -> Placement | None:
    wants_pair = channel.bridged_with is not None
    options = list(room.candidates(channel))
    if wants_pair:
        for device, number, own in options:
            partner = room.pair(device, number)
            if partner is not None:
                room.take(device.id, "amplifier", number, partner)
                why = () if own else _moved(channel, device, number, room)
                return Placement(
                    channel.id,
                    device.id,
                    number=number,
                    bridged_with=partner,
                    other=not own or partner != channel.bridged_with,
                    why=(*why, *_load_warning(device, load, True)),
                )
    if not options:
        return None
    device, number, own = options[0]
    room.take(device.id, "amplifier", number)
    why = () if own else _moved(channel, device, number, room)
    if wants_pair:
        why += (f"{device.id} has no pair left to bridge: one channel alone, with less power",)
    why += _load_warning(device, load, False)
    return Placement(channel.id, device.id, number=number, other=not own or wants_pair, why=why)


def _moved(channel: Channel, device: Device, number: int, room: _Room) -> tuple[str, ...]:
    own = room.stands_for.get(channel.device)
    word = "line output" if channel.kind == "line" else "channel"
    if own is None:
        return (f"nothing stands for {channel.device}: {word} {number} of {device.id} is free",)
    return (f"{own} has no {word} {channel.number} free: {word} {number} of {device.id} is",)


def _place_line(channel: Channel, room: _Room) -> Placement:
    fed = room.stands_for.get(channel.feeds_device or "")
    fed_device = room.devices.get(fed or "")
    if fed_device is None:
        why = f"nothing stands for {channel.feeds_device}, which it feeds"
        return Placement(channel.id, kind="line", why=(why,))
    if channel.feeds_input and channel.feeds_input > fed_device.line_inputs > 0:
        why = f"{fed_device.id} has no input {channel.feeds_input}"
        return Placement(channel.id, kind="line", why=(why,))
    for device, number, own in room.candidates(channel):
        room.take(device.id, "line", number)
        moved = () if own else _moved(channel, device, number, room)
        return Placement(channel.id, device.id, "line", number, other=not own, why=moved)
    return Placement(channel.id, kind="line", why=("no line output is left for it",))


def _join(
    channel: Channel,
    placed: Mapping[str, Placement],
    old: Plan,
    speakers: Mapping[str, Speaker],
    room: _Room,
    joined: set[str],
) -> Placement | None:
    """A channel that carries like speakers on the same side, where its load allows both."""
    by_id = {one.id: one for one in old.channels}
    were = {speaker.id: speaker for speaker in old.speakers}
    mine = _load_ohm(speakers, channel)
    for key, placement in placed.items():
        host = by_id[key]
        if placement.device is None or placement.kind == "line" or key in joined:
            continue
        if placement.bridged_with is not None or not _alike(channel, host, were):
            continue
        device = room.devices[placement.device]
        least = minimum_load(device, False)
        theirs = _load_ohm(speakers, host)
        if least is None or mine is None or theirs is None:
            continue
        if len(host.speakers) > 1 or len(channel.speakers) > 1:
            continue
        both = join_ohm([theirs, mine], "parallel")
        if both < least.load_ohm * 0.999:
            continue
        joined.add(key)
        why = (
            f"no channel is left: in parallel on {placement.target}, which feeds a like speaker "
            f"on that side; {both:.2g} Ω, least load {least.load_ohm:.2g} Ω",
        )
        return Placement(
            channel.id, placement.device, number=placement.number, joins=key, other=True, why=why
        )
    return None


def propose(
    old: Plan,
    devices: Sequence[Device],
    stands_for: Mapping[str, str | None],
    speakers: Mapping[str, Speaker],
) -> Carried:
    """Which channels of `devices` take over from the channels of `old`.

    `stands_for` gives the new device for each old one, None where there is none; `speakers` the
    new speaker for each old one, absent where there is none. The own number comes first, then a
    free channel, then sharing a channel with a like speaker on the same side; else a reason.
    """
    room = _Room(devices, stands_for)
    placements: dict[str, Placement] = {}
    waiting: list[Channel] = []
    wanted = [one for one in old.channels if one.kind == "amplifier" and one.speakers]
    amplifiers = []
    for channel in wanted:
        if any(key in speakers for key in channel.speakers):
            amplifiers.append(channel)
        else:
            why = (f"nothing stands for {', '.join(channel.speakers)}",)
            placements[channel.id] = Placement(channel.id, why=why)
    own_first = [one for one in amplifiers if _has_own(one, room)]
    for channel in [*own_first, *(one for one in amplifiers if one not in own_first)]:
        placement = _place_amplifier(channel, room, _load_ohm(speakers, channel))
        if placement is None:
            waiting.append(channel)
        else:
            placements[channel.id] = placement
    joined: set[str] = set()
    for channel in waiting:
        placements[channel.id] = _join(channel, placements, old, speakers, room, joined) or (
            Placement(
                channel.id,
                why=(
                    "no channel is left for it, and none that feeds a like speaker on that side "
                    "may carry both",
                ),
            )
        )
    for channel in old.channels:
        if channel.kind == "line" and channel.feeds_device:
            placements[channel.id] = _place_line(channel, room)
    covered, uncovered = _coverage(old, placements, speakers)
    free = tuple(
        f"{device}.{'L' if kind == 'line' else ''}{number}"
        for device, kind, number in sorted(room.free)
    )
    return Carried(placements, covered, uncovered, free)


def _has_own(channel: Channel, room: _Room) -> bool:
    own = room.stands_for.get(channel.device)
    return own is not None and (own, channel.kind, channel.number) in room.free


def _coverage(
    old: Plan, placements: Mapping[str, Placement], speakers: Mapping[str, Speaker]
) -> tuple[dict[str, str], dict[str, str]]:
    covered: dict[str, str] = {}
    uncovered: dict[str, str] = {}
    for speaker in old.speakers:
        feeding = [one for one in old.channels if speaker.id in one.speakers]
        if speaker.id not in speakers:
            uncovered[speaker.id] = f"nothing stands for {speaker.id} here"
            continue
        places = [placements[one.id] for one in feeding if one.id in placements]
        target = next((one.target for one in places if one.target), None)
        if target is not None:
            covered[speaker.id] = target
        elif places:
            uncovered[speaker.id] = "; ".join(places[0].why)
        else:
            uncovered[speaker.id] = "no amplifier channel feeds it in the plan"
    return covered, uncovered


class CarriedLevel(NamedTuple):
    """A level for a new channel [dB], and how the power behind it changed."""

    level_db: float
    why: str


def carried_levels(
    old: Plan, new: Plan, pairs: Iterable[tuple[str, str]]
) -> dict[str, CarriedLevel]:
    """New levels that keep the old balance between channels, by old channel id.

    Each channel's gain is set for the power of the level guide, so another power moves it by
    10 log10(P_new / P_old). Channels that gained more are lowered by the difference to the one
    that gained least; none is raised. A channel whose power is not known keeps its level and is
    not in the answer; nor is any where nothing changes. The sensitivity of the speakers is not in
    the sum: a measurement has the last word.
    """
    was = {row.channel_id: row.power_w for row in levels.guide(old).channels}
    now = {row.channel_id: row.power_w for row in levels.guide(new).channels}
    settings = {channel.id: channel.setting for channel in old.channels}
    gains = {
        one: (10 * math.log10(now[other] / was[one]), was[one], now[other])
        for one, other in pairs
        if one in was and other in now
    }
    if not gains:
        return {}
    least = min(gain for gain, _, _ in gains.values())
    carried = {}
    for one, (gain, before, after) in gains.items():
        cut = round((gain - least) / STEP_DB) * STEP_DB
        if cut < STEP_DB / 2:
            continue
        level = round(settings[one].level_db - cut, 2)
        if level < -120:
            continue
        why = f"{after:.0f} W here, {before:.0f} W in the setup: {cut:.1f} dB lower for the balance"
        carried[one] = CarriedLevel(level, why)
    return carried
