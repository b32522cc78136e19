"""The signal's voltage from the source to the speaker, and where it clips first.

Everything is told for a source at full scale: what arrives at each place, the most that place
takes, and the room between the two in decibels. The place with the least room is the first to clip
as the volume rises. An input whose sensitivity can be set is taken as set to what arrives, as far
as its range goes.
"""

import math
from typing import Final, Literal

import msgspec
import numpy as np

from wiring.channels.signal_path import signal_path
from wiring.context import Context
from wiring.errors import require_not_negative
from wiring.filters.biquads import ASSUMED_SAMPLE_RATE_HZ
from wiring.filters.crossovers import CrossoverError
from wiring.findings import Figure
from wiring.loads import LoadError, channel_shares
from wiring.names import channel_name, speaker_name
from wiring.plan import Channel, Device
from wiring.tuning import stages

JOULE: Final = "U = sqrt(P R), Joule's law, U as root mean square of a sine"
MAKER: Final = "the maker's data of the parts"
RATIO: Final = "20 log10 of the ratio of voltages"
BRIDGE: Final = "a bridge output's peak reaches the supply: U = Us / sqrt(2), derived"
ENTERED: Final = "as measured or set, on record"

Kind = Literal["output", "setting", "input", "amplifier", "speaker"]


class Stage(msgspec.Struct, frozen=True):
    """One place on the way: the voltage there with the source at full scale, the most it takes.

    `room_db` is how far the voltage is under that, negative where it is above. `device` is the
    device, or the speaker's id at the end. Unknown voltages are None, and the room with them.
    """

    kind: Kind
    device: str
    name: str
    arrives_v: float | None
    takes_v: float | None
    room_db: float | None
    figures: tuple[Figure, ...] = ()


class Chain(msgspec.Struct, frozen=True):
    """The way to one amplifier channel and its speakers; `first` is where it clips first."""

    channel_id: str
    name: str
    stages: tuple[Stage, ...]
    first: Stage | None

    @property
    def said(self) -> str:
        """Where it clips first, in a sentence."""
        if self.first is None:
            return "Not enough is known to say where it clips first."
        room = self.first.room_db or 0.0
        if room < -0.05:
            when = f"{-room:.1f} dB before the source is at full scale"
        elif room > 0.05:
            when = f"not within full scale: {room:.1f} dB are left"
        else:
            when = "as the source reaches full scale"
        return f"Clips first at {self.first.name}, {when}."


def peak_db(context: Context, channel: Channel) -> float | None:
    """Highest level of one channel's own setting over 20 Hz to 20 kHz [dB].

    None where it is muted or is one its device cannot do.
    """
    setting = channel.setting
    if setting.muted:
        return None
    device = context.devices.get(channel.device)
    rate = (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ
    try:
        shape = stages.level_db(stages.filtering(setting), rate)
    except CrossoverError:
        return None
    return setting.level_db + float(shape.max())


def way_peak_db(context: Context, channel: Channel) -> float | None:
    """Highest level of all settings on the way together [dB], None as in `peak_db`."""
    total = np.zeros(stages.GRID.size)
    for stage in signal_path(context, channel):
        if stage.setting.muted:
            return None
        device = context.devices.get(stage.device)
        rate = (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ
        try:
            shape = stages.level_db(stages.filtering(stage.setting), rate)
        except CrossoverError:
            return None
        total = total + stage.setting.level_db + shape
    return float(total.max())


class Output(msgspec.Struct, frozen=True):
    """The highest voltage an output gives [V], and how that is known."""

    voltage_v: float
    figure: Figure
    assumed: bool = False


def highest_output(context: Context, channel: Channel) -> Output | None:
    """What a channel gives at most [V RMS], None where nothing says so.

    What was measured or limited comes first, then the maker's line voltage or the rated power
    into the load. A speaker-level output without a rating is taken to reach its supply.
    """
    if channel.output_limit_v is not None:
        volts = channel.output_limit_v
        return Output(volts, Figure("Highest output", volts, "V", source=ENTERED))
    device = context.devices.get(channel.device)
    if channel.kind == "line":
        if device is None or device.line_output_v is None:
            return None
        volts = device.line_output_v
        return Output(volts, Figure("Highest output", volts, "V", source=MAKER))
    rated = context.power_w.get(channel.id)
    load = context.load_ohm.get(channel.id)
    if rated is not None and load is not None:
        volts = math.sqrt(rated.power_w * load)
        return Output(
            volts,
            Figure(
                "Highest output", volts, "V", "sqrt(P R)",
                f"sqrt({rated.power_w:.4g} W x {load:.3g} ohm)", JOULE, (rated.how,),
            ),
        )  # fmt: skip
    if channel.feeds_device is None:
        return None
    if device is not None and device.ratings:
        best = max(device.ratings, key=lambda each: each.power_w * each.load_ohm)
        volts = math.sqrt(best.power_w * best.load_ohm)
        return Output(
            volts,
            Figure(
                "Highest output", volts, "V", "sqrt(P R)",
                f"sqrt({best.power_w:.4g} W x {best.load_ohm:.3g} ohm)", JOULE,
                ("an input is hardly a load: the highest rated voltage",),
            ),
        )  # fmt: skip
    return speaker_level(context)


def speaker_level(context: Context) -> Output:
    """A speaker-level output of which nothing is known: it reaches its supply [V RMS]."""
    supply = context.plan.supply.charging_v
    volts = supply / math.sqrt(2)
    figure = Figure(
        "Highest output", volts, "V", "Us / sqrt(2)", f"{supply:g} V / 1.414", BRIDGE,
        ("no figure of the output on record",),
    )  # fmt: skip
    return Output(volts, figure, assumed=True)


def input_takes_v(device: Device) -> float | None:
    """Highest voltage the device's inputs take [V]: stated, else its least sensitive setting."""
    return device.input_max_v or device.input_sensitivity_max_v


def arriving(context: Context, device: Device) -> Output | None:
    """What comes to the device from outside the plan, None where nobody said."""
    if device.input_from_v is not None:
        volts = device.input_from_v
        return Output(volts, Figure("Highest output", volts, "V", source=ENTERED))
    return speaker_level(context) if device.input_from == "factory_speaker" else None


def room_db(takes_v: float | None, arrives_v: float | None) -> float | None:
    """How far a voltage is under the most a place takes [dB]; None where one is not known.

    Raises WiringError on a voltage that is no number.
    """
    if takes_v is None or arrives_v is None:
        return None
    for name, value in (("takes_v", takes_v), ("arrives_v", arrives_v)):
        require_not_negative(name, value, "V")
    if not takes_v or not arrives_v:
        return None
    return 20 * math.log10(takes_v / arrives_v)


class _Walk:
    """What is known on the way so far: voltage at full scale, and how much of full scale it is.

    `volts` is the linear voltage, as if nothing clipped; `drive` the signal against the full scale
    of the device it is in, None once nothing more can be said.
    """

    def __init__(self) -> None:
        self.volts: float | None = None
        self.drive: float | None = 1.0
        self.stages: list[Stage] = []

    def add(
        self,
        kind: Kind,
        device: str,
        name: str,
        takes_v: float | None,
        room: float | None,
        *figures: Figure,
        arrives_v: float | None = None,
    ) -> None:
        arrives = self.volts if arrives_v is None else arrives_v
        self.stages.append(Stage(kind, device, name, arrives, takes_v, room, figures))


def chain(context: Context, channel: Channel) -> Chain:
    """The way of the signal to one amplifier channel, from its first known source on."""
    walk = _Walk()
    path = tuple(reversed(signal_path(context, channel)))
    first = context.devices.get(path[0].device)
    if first is not None and (outside := arriving(context, first)) is not None:
        walk.volts = outside.voltage_v
        words = "the car's speaker wires" if first.input_from == "factory_speaker" else "the car"
        walk.add("output", first.id, words, None, None, outside.figure)
        _into(walk, first)
    for stage, following in zip(path, (*path[1:], None), strict=True):
        device = context.devices.get(stage.device)
        if device is None:
            walk.drive = walk.volts = None
            continue
        _through(context, walk, stage, device)
        if following is not None and (next_device := context.devices.get(following.device)):
            _into(walk, next_device)
    _speakers(context, walk, channel)
    known = [one for one in walk.stages if one.room_db is not None]
    least = min(known, key=lambda one: one.room_db or 0.0, default=None)
    return Chain(channel.id, channel_name(context, channel), tuple(walk.stages), least)


def _into(walk: _Walk, device: Device) -> None:
    """From the wire into a device's input: its sensitivity is set to what arrives, in its range."""
    takes = input_takes_v(device)
    arrives = walk.volts
    room = room_db(takes, arrives)
    figures: tuple[Figure, ...] = ()
    if room is not None:
        worked = f"20 log10({takes:.3g} V / {arrives:.3g} V)"
        stated = device.input_max_v is not None
        figures = (
            Figure("Most it takes", takes or 0.0, "V", source=MAKER,
                   assumed=() if stated else ("its least sensitive setting",)),
            Figure("Headroom", room, "dB", "20 log10(takes / arrives)", worked, RATIO),
        )  # fmt: skip
    walk.add("input", device.id, f"the input of {device.name}", takes, room, *figures)
    if arrives is None:
        walk.drive = 1.0
        return
    low, high = device.input_sensitivity_min_v, device.input_sensitivity_max_v
    setting = arrives
    if low is not None:
        setting = max(setting, low)
    if high is not None:
        setting = min(setting, high)
    walk.drive = arrives / setting if setting else None


def _through(context: Context, walk: _Walk, stage: Channel, device: Device) -> None:
    """From a device's input to one of its outputs: its setting, then the output itself."""
    peak = peak_db(context, stage)
    drive = walk.drive
    if peak is not None and drive is not None and drive > 0:
        level = peak + 20 * math.log10(drive)
        if stage.setting.sections or peak > 0:
            figure = Figure(
                "Peak of the setting", level, "dB", "level + all filters, as driven",
                f"{peak:.1f} dB + {20 * math.log10(drive):.1f} dB", "sum of the levels",
            )  # fmt: skip
            walk.add("setting", device.id, f"the setting of {channel_name(context, stage)}",
                     None, -level, figure)  # fmt: skip
        drive = drive * 10 ** (peak / 20)
    elif peak is None:
        drive = None
    output = highest_output(context, stage)
    if output is None or drive is None:
        walk.volts = walk.drive = None
        name = channel_name(context, stage)
        walk.add("output", device.id, name, None, None)
        return
    kind: Kind = "amplifier" if stage.kind == "amplifier" else "output"
    walk.volts = output.voltage_v * drive
    room = room_db(output.voltage_v, walk.volts)
    if stage.output_limit_v is not None:
        walk.volts = min(walk.volts, stage.output_limit_v)
    walk.add(
        kind,
        device.id,
        channel_name(context, stage),
        output.voltage_v,
        room,
        output.figure,
        Figure("Voltage there", walk.volts, "V", "highest output x drive",
               f"{output.voltage_v:.3g} V x {drive:.3g}", RATIO),
    )  # fmt: skip


def _speakers(context: Context, walk: _Walk, channel: Channel) -> None:
    """The end of the way: each speaker's rating as a voltage at the channel."""
    load = context.load_ohm.get(channel.id)
    if load is None:
        return
    try:
        shares = channel_shares(context.speakers, channel)
    except LoadError:
        return
    for speaker_id, share in zip(channel.speakers, shares, strict=True):
        speaker = context.speakers[speaker_id]
        name = f"the {speaker_name(speaker)}"
        if speaker.power_w is None or not share:
            walk.add("speaker", speaker_id, name, None, None)
            continue
        takes = math.sqrt(speaker.power_w / share * load)
        figure = Figure(
            "Rated", takes, "V", "sqrt(P R / share)",
            f"sqrt({speaker.power_w:g} W x {load:.3g} ohm / {share:.3g})", JOULE,
            ("the rating is long-term: music's peaks may pass it",),
        )  # fmt: skip
        walk.add("speaker", speaker_id, name, takes, room_db(takes, walk.volts), figure)


def chains(context: Context) -> tuple[Chain, ...]:
    """The way to every amplifier channel that drives a speaker, in plan order."""
    return tuple(
        chain(context, channel)
        for channel in context.plan.channels
        if channel.kind == "amplifier" and channel.speakers
    )
