"""What two documents of setups say otherwise, and a document made from chosen differences.

Used for the history of a setup's versions and to learn from a signed job. Writes nothing.
"""

import copy
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from jobs.plan.columns import setting_values
from jobs.setups import words as words
from jobs.setups.document import plan_in, upgrade, wires_of
from jobs.setups.match import Matches
from jobs.setups.power import run_values
from jobs.wording import Local, duration
from wiring import plan as doc

NOTHING: Final = "nothing"
GROUPS: Final = (
    ("products", "Products"),
    ("speakers", "Speakers"),
    ("channels", "Channels and wires"),
    ("settings", "Settings"),
    ("power", "Power"),
    ("other", "Other settings"),
    ("steps", "Steps of the work"),
    ("time", "Time"),
)

Document = Mapping[str, Any]
_Told = dict[str, tuple[str, str]]
"""What each thing of a document says, by key: its title and its words."""


@dataclass(frozen=True)
class Difference:
    """One thing two documents say otherwise. `needs` are keys that must be folded with it."""

    key: str
    group: str
    title: str
    before: str
    after: str
    needs: tuple[str, ...] = ()


def _wire_told(channel: doc.Channel) -> str:
    return words.channel(channel, Matches())


def _told(document: Document, local: Local) -> dict[str, _Told]:
    plan = plan_in(document)
    products = {
        key: (
            key,
            f"{one['product']}" + (f" × {one['quantity']}" if one["quantity"] > 1 else ""),
        )
        for key, one in document["products"].items()
    }
    settled = set(document["recorded"])
    minutes = document.get("measured_minutes")
    return {
        "products": products,
        "speakers": {one.id: (one.id, words.speaker(one)) for one in plan.speakers},
        "channels": {
            one.id: (one.id, _wire_told(one))
            for one in plan.channels
            if one.speakers or one.feeds_device or one.wire
        },
        "settings": {
            one.id: (one.id, words.setting(setting_values(one.setting)))
            for one in plan.channels
            if one.id in settled
        },
        "power": {
            one.id: (one.id, words.run(run_values(one, Matches()), local)) for one in plan.runs
        },
        "other": {one["name"]: (one["name"], one["after"]) for one in document["other_settings"]},
        "steps": {
            one["text"]: (
                one["text"],
                "; ".join(filter(None, [one["outcome"], one["note"], one["reading"]])),
            )
            for one in document["step_notes"]
        },
        "time": {"minutes": ("Measured time", duration(timedelta(minutes=minutes)))}
        if minutes
        else {},
    }


def _channel_needs(document: Document, key: str, changed: set[str]) -> tuple[str, ...]:
    """Speakers and products that the channel stands on and that are new or other too."""
    channel = next((one for one in plan_in(document).channels if one.id == key), None)
    if channel is None:
        return ()
    wanted = [f"speakers:{one}" for one in channel.speakers]
    wanted += [f"products:{one}" for one in (channel.device, channel.feeds_device) if one]
    return tuple(one for one in wanted if one in changed)


def aligned(document: Document, to: Document) -> dict[str, Any]:
    """The document with its speakers called as the other calls those in the same places."""
    copied = copy.deepcopy(dict(upgrade(document)))
    free = [(s["position"], s["kind"], s["id"]) for s in to["plan"].get("speakers", ())]
    names: dict[str, str] = {}
    for speaker in copied["plan"].get("speakers", ()):
        counterpart = next(
            (one for one in free if one[:2] == (speaker["position"], speaker["kind"])), None
        )
        if counterpart is not None:
            free.remove(counterpart)
            names[speaker["id"]] = counterpart[2]
    taken = set(names.values())
    used = taken | {one["id"] for one in to["plan"].get("speakers", ())}
    for speaker in copied["plan"].get("speakers", ()):
        if speaker["id"] not in names:
            fresh = next(f"SP{n}" for n in range(1, 1000) if f"SP{n}" not in used)
            used.add(fresh)
            names[speaker["id"]] = fresh
        speaker["id"] = names[speaker["id"]]
    for channel in copied["plan"].get("channels", ()):
        if channel.get("speakers"):
            channel["speakers"] = [names.get(one, one) for one in channel["speakers"]]
    copied["speaker_parts"] = {
        names.get(key, key): value for key, value in copied["speaker_parts"].items()
    }
    return copied


def differences(before: Document, after: Document, local: Local) -> list[Difference]:
    """What `after` says otherwise than `before`, in the order of the screens."""
    before, after = upgrade(before), aligned(after, upgrade(before))
    old, new = _told(before, local), _told(after, local)
    changed = {
        f"{group}:{key}"
        for group, _ in GROUPS
        for key in old[group].keys() | new[group].keys()
        if old[group].get(key) != new[group].get(key)
    }
    different = []
    for group, _ in GROUPS:
        for key in [*old[group], *(one for one in new[group] if one not in old[group])]:
            if f"{group}:{key}" not in changed:
                continue
            title = (new[group].get(key) or old[group][key])[0]
            needs: tuple[str, ...] = ()
            if group in {"channels", "settings"}:
                needs = _channel_needs(after, key, changed)
            different.append(
                Difference(
                    f"{group}:{key}",
                    group,
                    title,
                    old[group].get(key, ("", NOTHING))[1],
                    new[group].get(key, ("", NOTHING))[1],
                    needs,
                )
            )
    return different


def _put(rows: list[dict[str, Any]], row: dict[str, Any] | None, name: str, key: str) -> None:
    """Put a row in the place of the one of that name, at the end, or take it out."""
    at = next((n for n, one in enumerate(rows) if one[name] == key), None)
    if row is None:
        if at is not None:
            del rows[at]
    elif at is None:
        rows.append(copy.deepcopy(row))
    else:
        rows[at] = copy.deepcopy(row)


def _find(rows: Iterable[Mapping[str, Any]], name: str, key: str) -> dict[str, Any] | None:
    return next((dict(one) for one in rows if one[name] == key), None)


def _fold_product(folded: dict[str, Any], new: Document, key: str) -> None:
    product = new["products"].get(key)
    if product is None:
        folded["products"].pop(key, None)
    else:
        folded["products"][key] = copy.deepcopy(product)
    _put(folded["plan"]["devices"], _find(new["plan"].get("devices", ()), "id", key), "id", key)


def _fold_speaker(folded: dict[str, Any], new: Document, key: str) -> None:
    speaker = _find(new["plan"].get("speakers", ()), "id", key)
    _put(folded["plan"]["speakers"], speaker, "id", key)
    if speaker is None:
        folded["speaker_parts"].pop(key, None)
        for channel in folded["plan"]["channels"]:
            channel["speakers"] = [one for one in channel.get("speakers", ()) if one != key]
    else:
        folded["speaker_parts"][key] = new["speaker_parts"].get(key, "")


def _fold_channel(folded: dict[str, Any], new: Document, key: str) -> None:
    """The channel's wire and speakers; its settings are a thing of their own."""
    channel = _find(new["plan"].get("channels", ()), "id", key)
    old = _find(folded["plan"]["channels"], "id", key)
    if channel is not None:
        channel = {name: value for name, value in channel.items() if name != "setting"}
        if old is not None and "setting" in old:
            channel["setting"] = old["setting"]
    _put(folded["plan"]["channels"], channel, "id", key)


def _fold_setting(folded: dict[str, Any], new: Document, key: str) -> None:
    channel = _find(new["plan"].get("channels", ()), "id", key)
    old = _find(folded["plan"]["channels"], "id", key)
    recorded = [one for one in folded["recorded"] if one != key]
    if channel is not None and key in new["recorded"]:
        base = old or {name: value for name, value in channel.items() if name != "speakers"}
        base["setting"] = channel.get("setting", {})
        _put(folded["plan"]["channels"], base, "id", key)
        recorded.append(key)
    folded["recorded"] = recorded


def _fold_run(folded: dict[str, Any], new: Document, key: str) -> None:
    _put(folded["plan"]["runs"], _find(new["plan"].get("runs", ()), "id", key), "id", key)


def _fold_row(rows: str, name: str) -> Callable[[dict[str, Any], Document, str], None]:
    def fold(folded: dict[str, Any], new: Document, key: str) -> None:
        _put(folded[rows], _find(new[rows], name, key), name, key)

    return fold


def _fold_time(folded: dict[str, Any], new: Document, key: str) -> None:
    folded["measured_minutes"] = new.get("measured_minutes")


_FOLD: Final[dict[str, Callable[[dict[str, Any], Document, str], None]]] = {
    "products": _fold_product,
    "speakers": _fold_speaker,
    "channels": _fold_channel,
    "settings": _fold_setting,
    "power": _fold_run,
    "other": _fold_row("other_settings", "name"),
    "steps": _fold_row("step_notes", "text"),
    "time": _fold_time,
}


def _drop_orphans(folded: dict[str, Any]) -> None:
    """Take out what stands on a device that was taken out."""
    plan = folded["plan"]
    devices = {one["id"] for one in plan["devices"]}
    plan["channels"] = [one for one in plan["channels"] if one["device"] in devices]
    for channel in plan["channels"]:
        if channel.get("feeds_device") and channel["feeds_device"] not in devices:
            channel.pop("feeds_device")
            channel.pop("feeds_input", None)
    for device in plan["devices"]:
        if device.get("turn_on_by") and device["turn_on_by"] not in devices:
            device.pop("turn_on_by")
    channels = {one["id"] for one in plan["channels"]}
    folded["recorded"] = [one for one in folded["recorded"] if one in channels]


def fold(before: Document, after: Document, chosen: Iterable[str], local: Local) -> dict[str, Any]:
    """`before` with the chosen differences to `after`, and what they stand on.

    The source stays that of `before`: the version says which sheet taught it.
    """
    old = upgrade(before)
    by_key = {one.key: one for one in differences(old, after, local)}
    new = aligned(after, old)
    wanted = [key for key in chosen if key in by_key]
    for key in list(wanted):
        wanted += [need for need in by_key[key].needs if need not in wanted]
    folded = copy.deepcopy(dict(old))
    for rows in ("devices", "speakers", "channels", "runs"):
        folded["plan"][rows] = [dict(one) for one in folded["plan"].get(rows, ())]
    for rows in ("other_settings", "step_notes"):
        folded[rows] = [dict(one) for one in folded[rows]]
    order = [group for group, _ in GROUPS]
    for key in sorted(wanted, key=lambda one: order.index(one.partition(":")[0])):
        group, _, name = key.partition(":")
        _FOLD[group](folded, new, name)
    _drop_orphans(folded)
    folded["wires"] = wires_of(folded["plan"])
    return folded
