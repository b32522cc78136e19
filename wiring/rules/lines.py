"""Rules about line outputs and whatever else feeds a device's inputs."""

from collections.abc import Iterator
from typing import Final

from wiring.channels.signal_path import lines_into
from wiring.context import Context, rule
from wiring.findings import Figure, Finding
from wiring.names import channel_name, listed
from wiring.plan import Device
from wiring.rules.crossovers import NOTHING_SET
from wiring.tuning import gain

COMMON_PRACTICE: Final = "common practice, no source"
THE_PLAN: Final = "the plan itself"


@rule(
    "line-input",
    "channels",
    "stop",
    "caution",
    sources=(THE_PLAN, "the maker's data of the parts", COMMON_PRACTICE),
)
def line_input(context: Context) -> Iterator[Finding]:
    """Each feed names an input the device has, and no input is fed twice."""
    for device_id, feeds in lines_into(context).items():
        device = context.devices.get(device_id)
        if device is None:
            continue
        by_input: dict[int, list[str]] = {}
        for feed in feeds:
            number = feed.feeds_input
            if number is None:
                yield Finding(
                    "line-input",
                    "caution",
                    f"{channel_name(context, feed)} feeds {device.name}, input not said",
                    (feed.id, device_id),
                    "Write which input the plug is in.",
                    THE_PLAN,
                )
                continue
            by_input.setdefault(number, []).append(feed.id)
            if number > device.line_inputs:
                yield Finding(
                    "line-input",
                    "stop" if device.line_inputs else "caution",
                    f"{channel_name(context, feed)} feeds input {number} of {device.name}, which "
                    f"has {device.line_inputs or 'none on record'}",
                    (feed.id, device_id),
                    "Correct the input, or the device's data in the catalogue.",
                    "the maker's data of the parts",
                )
        for number, ids in by_input.items():
            if len(ids) > 1:
                names = listed(channel_name(context, context.channels[each]) for each in ids)
                yield Finding(
                    "line-input",
                    "stop",
                    f"Input {number} of {device.name} is fed twice: {names}",
                    (*ids, device_id),
                    "Keep one. Two outputs joined drive current into each other.",
                    COMMON_PRACTICE,
                )


@rule("line-loop", "channels", "stop", sources=(COMMON_PRACTICE,))
def line_loop(context: Context) -> Iterator[Finding]:
    """No signal comes back to the device it left."""
    into = lines_into(context)
    if not into:
        return
    feeds: dict[str, set[str]] = {}
    for device_id, lines in into.items():
        for line in lines:
            feeds.setdefault(line.device, set()).add(device_id)
    for device_id, lines in into.items():
        for line in lines:
            if line.device == device_id or line.device in _reached(feeds, device_id):
                device = context.devices.get(device_id)
                yield Finding(
                    "line-loop",
                    "stop",
                    f"{channel_name(context, line)} feeds "
                    f"{device.name if device is not None else device_id}, whose signal comes back "
                    "to it",
                    (line.id, device_id),
                    "Break the loop: a signal fed back can rise to full power.",
                    COMMON_PRACTICE,
                )


def _reached(feeds: dict[str, set[str]], start: str) -> set[str]:
    if start not in feeds:
        return set()
    reached: set[str] = set()
    waiting = [start]
    while waiting:
        for following in feeds.get(waiting.pop(), ()):
            if following not in reached:
                reached.add(following)
                waiting.append(following)
    return reached


@rule("amplifier-without-input", "channels", "stop", "note", sources=(THE_PLAN,))
def amplifier_without_input(context: Context) -> Iterator[Finding]:
    """An amplifier or processor in use that nothing feeds.

    Where no device of the plan says what feeds it from outside the plan, nobody was asked: that is
    a note.
    """
    into = lines_into(context)
    asked = any(device.input_from for device in context.plan.devices)
    for device in context.plan.devices:
        if device.kind not in _MUST_BE_FED or device.input_from or device.id in into:
            continue
        own = context.channels_of_device.get(device.id, ())
        used = [one for one in own if one.speakers or one.feeds_device is not None]
        if not used:
            continue
        free = [
            channel
            for channel in context.plan.channels
            if channel.kind == "line"
            and channel.feeds_device is None
            and channel.device != device.id
        ]
        advice = f"Say which output feeds {device.name}, or that it takes its signal from the car."
        if free:
            advice = f"{channel_name(context, free[0])} feeds nothing yet. {advice}"
        first = channel_name(context, used[0]).removeprefix(device.name + ", ")
        more = " and more" if len(used) > 1 else ""
        yield Finding(
            "amplifier-without-input",
            "stop" if asked else "note",
            f"Nothing feeds {device.name}, which is to drive {first}{more}"
            if asked
            else f"Nobody wrote what feeds {device.name}, which drives {first}{more}",
            (device.id, *(channel.id for channel in used)),
            advice,
            THE_PLAN,
        )


_MUST_BE_FED: Final = frozenset({"amplifier", "processor"})
LINE_STOP_RATIO: Final = 2.0
LINE_CAUTION_RATIO: Final = 1.12
"""1 dB over what an input takes is told, 6 dB are a stop: common practice, no source."""


@rule(
    "input-overdriven",
    "channels",
    "stop",
    "caution",
    sources=(gain.MAKER, COMMON_PRACTICE),
    view="settings",
)
def input_overdriven(context: Context) -> Iterator[Finding]:
    """An input that gets more volts than it takes, from a line output or speaker wires."""
    for device_id, feeds in lines_into(context).items():
        device = context.devices.get(device_id)
        if device is None:
            continue
        takes = gain.input_takes_v(device)
        for feed in feeds:
            output = gain.highest_output(context, feed)
            name = channel_name(context, feed)
            speaker = feed.kind == "amplifier"
            if output is not None:
                peak = gain.peak_db(context, feed)
                if peak is None and feed.setting.muted:
                    continue
                level = min(peak or 0.0, 0.0) if feed.output_limit_v is None else 0.0
                where = (feed.id, device_id)
                yield from _overdriven(device, takes, output, level, name, speaker, where)
    for device in context.plan.devices:
        arrives = gain.arriving(context, device)
        if arrives is not None and device.input_from:
            speaker = device.input_from == "factory_speaker"
            name = "The car's speaker output" if speaker else "The car's output"
            takes = gain.input_takes_v(device)
            yield from _overdriven(device, takes, arrives, 0.0, name, speaker, (device.id,))


def _overdriven(
    device: Device,
    takes: float | None,
    output: gain.Output,
    level_db: float,
    name: str,
    speaker: bool,
    where: tuple[str, ...],
) -> Iterator[Finding]:
    volts = output.voltage_v * 10 ** (level_db / 20)
    if takes is None:
        if speaker:
            yield Finding(
                "input-overdriven",
                "caution",
                f"{name} feeds {device.name}, and nobody said what its input takes",
                where,
                "Look up whether that input takes speaker level, and write its highest voltage "
                "into the catalogue.",
                gain.MAKER,
                (output.figure,),
            )
        return
    ratio = volts / takes
    if ratio <= (1.02 if speaker else LINE_CAUTION_RATIO):
        return
    yield Finding(
        "input-overdriven",
        "stop" if speaker or ratio >= LINE_STOP_RATIO else "caution",
        f"{name} gives {'about ' if output.assumed else 'up to '}{volts:.3g} V, the input of "
        f"{device.name} takes {takes:.3g} V",
        where,
        "Use an input for speaker level or an adapter that lowers it."
        if speaker
        else "Lower the level of that output, hold it with its limiter and write the voltage down, "
        "or use an input that takes it.",
        gain.MAKER,
        (
            output.figure,
            Figure("Voltage at the input", volts, "V", "highest output x 10^(level / 20)",
                   f"{output.voltage_v:.3g} V x 10^({level_db:.1f} / 20)", gain.RATIO),
            Figure("Most it takes", takes, "V", source=gain.MAKER,
                   assumed=() if device.input_max_v else ("its least sensitive setting",)),
        ),
    )  # fmt: skip


@rule("line-unused", "channels", "caution", sources=(THE_PLAN,), view="settings")
def line_unused(context: Context) -> Iterator[Finding]:
    """A line output that somebody set up, and that feeds nothing."""
    for channel in context.plan.channels:
        if channel.kind != "line" or channel.feeds_device is not None or channel.speakers:
            continue
        if channel.setting == NOTHING_SET:
            continue
        yield Finding(
            "line-unused",
            "caution",
            f"{channel_name(context, channel)} is set up and feeds nothing",
            (channel.id, channel.device),
            "Say which input it goes to, or take its settings out.",
            THE_PLAN,
        )
