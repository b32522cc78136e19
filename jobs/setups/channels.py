"""The channels and settings of a saved setup beside a job's. Nothing here writes."""

from collections.abc import Mapping
from typing import Any, Final

from jobs.models import Channel
from jobs.plan.columns import CHANNEL, WIRE_COLUMNS, setting_values
from jobs.services.tuning.records import facts_of
from jobs.setups import words as words
from jobs.setups.items import Item, blocked_by, unlike
from jobs.setups.match import Matches, State
from jobs.wording import Local
from wiring import plan as doc
from wiring.channels.mapping import Placement

_OWN: Final = ("kind", "number", "measured_load_ohm")
"""Columns of a channel that it has of itself, or that were measured in that car."""


def is_used(channel: doc.Channel) -> bool:
    """Whether the setup says anything of this channel."""
    return bool(channel.speakers or channel.feeds_device or channel.wire)


def _row_of(channel: doc.Channel, matches: Matches, rows: list[Channel]) -> Channel | None:
    place = matches.carried.placements.get(channel.id)
    if place is not None:
        wanted = (place.device, place.kind, place.number)
    else:
        device = matches.devices.get(channel.device)
        part = device.part if device else None
        wanted = (part.label if part else None, channel.kind, channel.number)
    return next((row for row in rows if (row.part.label, row.kind, row.number) == wanted), None)


def _place_of(channel: doc.Channel, matches: Matches) -> Placement:
    return matches.carried.placements.get(channel.id) or Placement(channel.id)


def _needs_here(channel: doc.Channel, place: Placement, matches: Matches) -> tuple[str, ...]:
    """What must be taken first: the device only where the channel stays on what stands for it."""
    match = matches.devices.get(channel.device)
    stays = match is not None and match.part is not None and match.part.label == place.device
    own = (f"device:{channel.device}",) if stays or place.device is None else ()
    fed = (f"device:{channel.feeds_device}",) if channel.feeds_device else ()
    joined = (f"channel:{place.joins}",) if place.joins else ()
    known = tuple(f"speaker:{one}" for one in matches.shared_speakers(channel.id))
    return (*own, *fed, *known, *joined)


def channel_item(channel: doc.Channel, matches: Matches, rows: list[Channel], local: Local) -> Item:
    """What a channel feeds over which wire; the colours are expected, the polarity unproved."""
    key, place = f"channel:{channel.id}", _place_of(channel, matches)
    needs = _needs_here(channel, place, matches)
    told = words.channel(channel, matches, local)
    row = _row_of(channel, matches, rows)
    blocked = blocked_by([one for one in needs if not one.startswith("channel:")], matches)
    if row is None:
        blocked = (*blocked, *(place.why or (f"nothing here stands for {channel.id}",)))
    if row is None or blocked:
        return Item(key, "channels", channel.id, told, "nothing", "impossible", blocked, needs)
    fed = matches.devices[channel.feeds_device].part if channel.feeds_device else None
    known = matches.shared_speakers(channel.id)
    if place.joins:
        values: dict[str, Any] = {"joining": "parallel"}
        extra = (*matches.shared_speakers(place.joins), *known)
    else:
        values = {
            **{name: one for name, one in CHANNEL.write(channel).items() if name not in _OWN},
            "joining": channel.joining if len(known) == len(channel.speakers) else "single",
            "bridged_with": place.bridged_with if channel.speakers else channel.bridged_with,
            "feeds_part": fed,
            "polarity_proved": None,
            "polarity_by": "",
        }
        extra = known
    state, why = _channel_state(channel, place, row, values, extra, needs, matches)
    moved = f"{row.plan_id}: " if channel.id != row.plan_id else ""
    coloured = any(values.get(name) for name in ("positive_base", "negative_base"))
    return Item(
        key,
        "channels",
        channel.id if not moved else f"{channel.id} → {row.plan_id}",
        told,
        words.channel_row(row, local),
        state,
        why,
        needs,
        row.pk,
        values,
        extra=extra,
        result=f"{moved}{told}" if moved else "",
        remind="Reconfirm the colours in the car" if coloured else "",
    )


def _channel_state(
    channel: doc.Channel,
    place: Placement,
    row: Channel,
    values: Mapping[str, Any],
    extra: tuple[str, ...],
    needs: tuple[str, ...],
    matches: Matches,
) -> tuple[State, tuple[str, ...]]:
    here = {speaker.pk for speaker in row.speakers.all()}
    matched = [matches.speakers[one].placed for one in extra]
    wanted = {one.pk for one in matched if one is not None}
    shared = [matches.speakers[one].placed for one in matches.sharing(channel.id)]
    allowed = wanted | {one.pk for one in shared if one is not None}
    unlooked = {"polarity_proved", "polarity_by"} | ({"joining"} if shared else set())
    equal = all(getattr(row, name) == values[name] for name in values if name not in unlooked)
    if equal and None not in matched and wanted <= here <= allowed:
        return "same", ()
    empty = not here and row.feeds_part is None and not any(getattr(row, n) for n in WIRE_COLUMNS)
    missing = tuple(
        f"nothing here stands for {one}" for one in channel.speakers if one not in extra
    )
    why = (*place.why, *missing, *unlike(needs, matches))
    if not empty and not place.joins:
        why = ("this channel already has entries here", *why)
    return ("differs", why) if why or place.other else ("new", ())


def setting_item(
    channel: doc.Channel, matches: Matches, rows: list[Channel], now: Mapping[int, Any]
) -> Item:
    """The settings of a channel as left; `now` holds the job's own by channel key."""
    place = _place_of(channel, matches)
    needs = _needs_here(channel, place, matches)
    told = words.setting(setting_values(channel.setting))
    row = _row_of(channel, matches, rows)
    blocked = blocked_by([one for one in needs if not one.startswith("channel:")], matches)
    key = f"setting:{channel.id}"
    if place.joins and row is not None:
        blocked = (f"it shares {row.plan_id} and has the settings of {place.joins}",)
    if row is None or blocked:
        why = blocked or place.why or (f"{channel.device} has no such channel here",)
        return Item(key, "settings", channel.id, told, "nothing", "impossible", why, needs)
    values = setting_values(channel.setting)
    carried = matches.levels.get(channel.id)
    why = unlike(needs, matches)
    if carried is not None:
        values["level_db"] = carried.level_db
        why = (carried.why, *why)
    here = facts_of(now.get(row.pk))
    limit = row.part.product.max_sections
    if limit is not None and len(channel.setting.sections) > limit:
        why += (f"{row.part.label} has {limit} equaliser sections a channel",)
    state: State = "new"
    if here == values and row.pk in now:
        state, why = "same", ()
    elif row.pk in now and here != facts_of(None):
        state, why = "differs", ("this channel already has settings here", *why)
    elif why or place.other:
        state = "differs"
    return Item(
        key,
        "settings",
        channel.id if row.plan_id == channel.id else f"{channel.id} → {row.plan_id}",
        told,
        words.setting(here) if row.pk in now else "nothing",
        state,
        why,
        needs,
        row.pk,
        values,
        result=words.setting(values) if carried else "",
    )
