"""The channels and settings of a saved setup beside a job's. Nothing here writes."""

from collections.abc import Mapping
from typing import Any, Final

from jobs.models import Channel
from jobs.services import setup_words as words
from jobs.services.setup_items import Item, blocked_by, unlike
from jobs.services.setup_match import Matches, State
from jobs.services.tuning import SETTING_FACTS, facts_of
from wiring import plan as doc

WIRE_FACTS: Final = (
    "connector",
    "positive_cavity",
    "positive_base",
    "positive_stripe",
    "negative_cavity",
    "negative_base",
    "negative_stripe",
)


def _needs(channel: doc.Channel) -> tuple[str, ...]:
    fed = (f"device:{channel.feeds_device}",) if channel.feeds_device else ()
    return (
        f"device:{channel.device}",
        *fed,
        *(f"speaker:{speaker}" for speaker in channel.speakers),
    )


def _wire_values(channel: doc.Channel) -> dict[str, Any]:
    wire = channel.wire or doc.Wire()
    values: dict[str, Any] = {"connector": wire.connector}
    for name, lead in (("positive", wire.positive), ("negative", wire.negative)):
        for fact in ("cavity", "base", "stripe"):
            values[f"{name}_{fact}"] = getattr(lead, fact)
    return values


def is_used(channel: doc.Channel) -> bool:
    """Whether the setup says anything of this channel."""
    return bool(channel.speakers or channel.feeds_device or channel.wire)


def _row_of(channel: doc.Channel, matches: Matches, rows: list[Channel]) -> Channel | None:
    device = matches.devices.get(channel.device)
    if device is None or device.part is None:
        return None
    wanted = (device.part.pk, channel.kind, channel.number)
    return next((row for row in rows if (row.part_id, row.kind, row.number) == wanted), None)


def _bridge_why(channel: doc.Channel, row: Channel) -> tuple[str, ...]:
    if channel.bridged_with is None:
        return ()
    pair = tuple(sorted((channel.number, channel.bridged_with)))
    if pair in {tuple(sorted(one)) for one in row.part.product.bridge_pairs}:
        return ()
    return (f"{row.part.label} cannot bridge channels {pair[0]} and {pair[1]}",)


def channel_item(channel: doc.Channel, matches: Matches, rows: list[Channel]) -> Item:
    """What a channel feeds over which wire; the colours are expected, the polarity unproved."""
    key, needs = f"channel:{channel.id}", _needs(channel)
    told = words.channel(channel, matches)
    row = _row_of(channel, matches, rows)
    blocked = blocked_by(needs, matches)
    if row is None and not blocked:
        part = matches.devices[channel.device].part
        kind = "line output" if channel.kind == "line" else "channel"
        blocked = (f"{part.label if part else ''} has no {kind} {channel.number}",)
    blocked += _bridge_why(channel, row) if row is not None else ()
    if row is None or blocked:
        return Item(key, "channels", channel.id, told, "nothing", "impossible", blocked, needs)
    fed = matches.devices[channel.feeds_device].part if channel.feeds_device else None
    values = {
        **_wire_values(channel),
        "joining": channel.joining,
        "bridged_with": channel.bridged_with,
        "feeds_part": fed,
        "feeds_input": channel.feeds_input,
        "note": channel.note,
        "polarity_proved": None,
    }
    state, why = _channel_state(channel, row, values, matches)
    return Item(
        key,
        "channels",
        channel.id if row.plan_id == channel.id else f"{channel.id} as {row.plan_id}",
        told,
        words.channel_row(row),
        state,
        why,
        needs,
        row.pk,
        values,
        extra=channel.speakers,
    )


def _channel_state(
    channel: doc.Channel, row: Channel, values: Mapping[str, Any], matches: Matches
) -> tuple[State, tuple[str, ...]]:
    here = {speaker.pk for speaker in row.speakers.all()}
    matched = [matches.speakers[one].placed for one in channel.speakers]
    wanted = {one.pk for one in matched if one is not None}
    compared = [name for name in values if name != "polarity_proved"]
    equal = all(getattr(row, name) == values[name] for name in compared)
    if equal and None not in matched and here == wanted:
        return "same", ()
    empty = not here and row.feeds_part is None and not any(getattr(row, n) for n in WIRE_FACTS)
    why = unlike(_needs(channel), matches)
    if not empty:
        why = ("this channel already has entries here", *why)
    return ("differs", why) if why else ("new", ())


def setting_values(setting: doc.Setting) -> dict[str, Any]:
    """A setting of a plan as the fields of a tuning record's row."""
    values: dict[str, Any] = {
        "level_db": setting.level_db,
        "delay_ms": setting.delay_ms,
        "inverted": setting.inverted,
        "muted": setting.muted,
        "sections": [
            {"kind": s.kind, "frequency_hz": s.frequency_hz, "gain_db": s.gain_db, "q": s.q}
            for s in setting.sections
        ],
    }
    for name in ("high_pass", "low_pass"):
        one: doc.Crossover | None = getattr(setting, name)
        values[f"{name}_family"] = one.family if one else ""
        values[f"{name}_order"] = one.order if one else None
        values[f"{name}_hz"] = one.frequency_hz if one else None
    return values


def setting_item(
    channel: doc.Channel, matches: Matches, rows: list[Channel], now: Mapping[int, Any]
) -> Item:
    """The settings of a channel as left; `now` holds the job's own by channel key."""
    needs = (f"device:{channel.device}", *(f"speaker:{one}" for one in channel.speakers))
    told = words.setting(setting_values(channel.setting))
    row = _row_of(channel, matches, rows)
    blocked = blocked_by(needs, matches)
    key = f"setting:{channel.id}"
    if row is None or blocked:
        why = blocked or (f"{channel.device} has no such channel here",)
        return Item(key, "settings", channel.id, told, "nothing", "impossible", why, needs)
    values = setting_values(channel.setting)
    here = facts_of(now.get(row.pk))
    why = unlike(needs, matches)
    limit = row.part.product.max_sections
    if limit is not None and len(channel.setting.sections) > limit:
        why += (f"{row.part.label} has {limit} equaliser sections a channel",)
    state: State = "new"
    if here == values and row.pk in now:
        state, why = "same", ()
    elif row.pk in now and here != facts_of(None):
        state, why = "differs", ("this channel already has settings here", *why)
    elif why:
        state = "differs"
    return Item(
        key,
        "settings",
        channel.id if row.plan_id == channel.id else f"{channel.id} as {row.plan_id}",
        told,
        words.setting({name: here[name] for name in SETTING_FACTS}) if row.pk in now else "nothing",
        state,
        why,
        needs,
        row.pk,
        values,
    )
