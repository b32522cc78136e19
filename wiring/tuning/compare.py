"""Two tunings side by side: every setting that differs, in words."""

from collections.abc import Iterator
from typing import Final

import msgspec

from wiring.context import Context
from wiring.filters.crossovers import describe
from wiring.names import channel_name, listed, speaker_name
from wiring.plan import Channel, Plan, Section, Setting

MISSING: Final = "not in this record"


class Difference(msgspec.Struct, frozen=True):
    """One setting of one channel that two records hold differently."""

    channel_id: str
    channel: str
    feeds: str
    setting: str
    before: str
    after: str


def differences(before: Plan, after: Plan) -> tuple[Difference, ...]:
    """What changed from one record to the other, in the order of the later one's channels.

    A channel that only one of them has is one difference.
    """
    then, now = Context(before), Context(after)
    different: list[Difference] = []
    for channel in (*after.channels, *(c for c in before.channels if c.id not in now.channels)):
        context = now if channel.id in now.channels else then
        name = channel_name(context, channel)
        feeds = _feeds(context, channel)
        if channel.id not in now.channels or channel.id not in then.channels:
            in_now = channel.id in now.channels
            different.append(
                Difference(
                    channel.id,
                    name,
                    feeds,
                    "channel",
                    MISSING if in_now else "present",
                    "present" if in_now else MISSING,
                )
            )
            continue
        old, new = then.channels[channel.id].setting, now.channels[channel.id].setting
        for setting, was, is_now in _changes(old, new):
            different.append(Difference(channel.id, name, feeds, setting, was, is_now))
    return tuple(different)


def _feeds(context: Context, channel: Channel) -> str:
    names = [speaker_name(context.speakers[s]) for s in channel.speakers if s in context.speakers]
    if names:
        return listed(names)
    device = context.devices.get(channel.feeds_device or "")
    return device.name if device is not None else ""


def _changes(old: Setting, new: Setting) -> Iterator[tuple[str, str, str]]:
    if old.high_pass != new.high_pass:
        yield "high-pass", describe(old.high_pass), describe(new.high_pass)
    if old.low_pass != new.low_pass:
        yield "low-pass", describe(old.low_pass), describe(new.low_pass)
    if old.level_db != new.level_db:
        yield "level", f"{old.level_db:+.1f} dB", f"{new.level_db:+.1f} dB"
    if old.delay_ms != new.delay_ms:
        yield "delay", f"{old.delay_ms:g} ms", f"{new.delay_ms:g} ms"
    if old.inverted != new.inverted:
        yield "polarity", _polarity(old), _polarity(new)
    if old.muted != new.muted:
        yield "mute", "muted" if old.muted else "on", "muted" if new.muted else "on"
    gone = [section for section in old.sections if section not in new.sections]
    come = [section for section in new.sections if section not in old.sections]
    for section in gone:
        nearest = _near(section, come)
        if nearest is not None:
            come.remove(nearest)
        yield "section", section_name(section), section_name(nearest) if nearest else "none"
    for section in come:
        yield "section", "none", section_name(section)


def _near(section: Section, others: list[Section]) -> Section | None:
    """The section it most likely became: same kind, within a third of an octave."""
    alike = [
        other
        for other in others
        if other.kind == section.kind and 0.8 < other.frequency_hz / section.frequency_hz < 1.26
    ]
    return min(
        alike, key=lambda other: abs(other.frequency_hz - section.frequency_hz), default=None
    )


def _polarity(setting: Setting) -> str:
    return "inverted" if setting.inverted else "normal"


def section_name(section: Section) -> str:
    """ "peaking 160 Hz -5.1 dB q 1.4"; a kind without gain names none."""
    kind = section.kind.replace("_", " ")
    gain = ""
    if section.kind in ("peaking", "low_shelf", "high_shelf"):
        gain = f" {section.gain_db:+.1f} dB"
    return f"{kind} {section.frequency_hz:g} Hz{gain} q {section.q:g}"
