"""Rules about line outputs and whatever else feeds a device's inputs."""

from collections.abc import Iterator
from typing import Final

from wiring.channels.signal_path import lines_into
from wiring.context import Context, rule
from wiring.findings import Finding
from wiring.names import channel_name, listed

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


@rule("line-unused", "channels", "caution", sources=(THE_PLAN,))
def line_unused(context: Context) -> Iterator[Finding]:
    """A device that drives speakers and has no source, while a line output elsewhere is free."""
    into = lines_into(context)
    for device in context.plan.devices:
        if device.kind != "amplifier" or not device.line_inputs or device.id in into:
            continue
        own = context.channels_of_device.get(device.id, ())
        if not any(channel.speakers for channel in own):
            continue
        free = [
            channel
            for channel in context.plan.channels
            if channel.kind == "line"
            and channel.feeds_device is None
            and channel.device != device.id
        ]
        if free:
            yield Finding(
                "line-unused",
                "caution",
                f"Nothing feeds {device.name}, and {channel_name(context, free[0])} feeds nothing",
                (free[0].id, device.id),
                f"Say which input of {device.name} each line output goes to.",
                THE_PLAN,
            )
