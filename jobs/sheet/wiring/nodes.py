"""What the wiring sheet draws, from the frozen document: nodes, and what joins them.

Every node and every joint keeps the id it has in the plan; names are only words beside it, so two
equal amplifiers stay two.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.sheet.power_values import fuses_of, place_of
from jobs.wording import Local
from shop.kept_words import told
from shop.wording import TIGHT, inner

Document = Mapping[str, Any]

BATTERY: Final = "battery"
BODY: Final = "body"
FACTORY_FEED: Final = "factory feed"
FACTORY: Final = "factory sound system"
FEED, RETURN, TURN_ON, SIGNAL = "feed", "return", "turn-on", "signal"
HEADS: Final = (BATTERY, FACTORY_FEED, FACTORY, BODY)
"""Nodes that stand at the left edge: what the car itself has."""

_FROM_THE_CAR: Final = {
    "factory_line": kept("Signal: factory line outputs"),
    "factory_speaker": kept("Signal: factory speaker wires"),
    "digital": kept("Signal: digital line"),
}


class Rail(NamedTuple):
    """What leads away from a node: its supply, the way back to it, its signal."""

    kind: str
    node: str


@dataclass(frozen=True)
class Joint:
    """A line that ends at `node`: from a rail, or, where `rail` is None, from what is said."""

    node: str
    kind: str
    rail: Rail | None
    above: str
    below: str = ""
    near_fuse: bool = False
    far_fuse: bool = False


@dataclass(frozen=True)
class Output:
    """A channel in use, and where it leads."""

    channel: str
    short: str
    feeds: tuple[tuple[str, str, str], ...]
    """Id, place and kind or input, and product name of each thing fed."""

    line: bool
    load: str
    joining: str
    plug: str
    plus: Mapping[str, str]
    minus: Mapping[str, str]
    wired: bool
    cable: str
    polarity: str
    note: str


@dataclass(frozen=True)
class Node:
    """A box of the drawing."""

    id: str
    title: str
    name: str = ""
    facts: tuple[str, ...] = ()
    outputs: tuple[Output, ...] = ()


@dataclass(frozen=True)
class Installation:
    """Everything that is drawn."""

    nodes: Mapping[str, Node]
    joints: tuple[Joint, ...]

    def ending_at(self, node: str) -> Iterator[Joint]:
        """The lines that end at a node."""
        return (one for one in self.joints if one.node == node)


def plug_key(name: str) -> str:
    """The name of a plug as it is compared."""
    return " ".join(name.split()).casefold()


def installation(document: Document) -> Installation:
    """Nodes and joints of a document of the newest version."""
    plan = document["plan"]
    local = Local(document["shop"]["units"], document["shop"]["time_zone"])
    joints = (*_runs(plan, local), *_turned_on(plan, document), *_signals(plan))
    return Installation(_nodes(document, plan, joints), joints)


def _nodes(document: Document, plan: Document, joints: tuple[Joint, ...]) -> dict[str, Node]:
    """The boxes from the battery outwards, then what no supply leads to."""
    devices = {one["id"]: one for one in plan.get("devices", ())}
    outwards = [BATTERY]
    for near in outwards:
        outwards += dict.fromkeys(
            one["to_node"]
            for one in plan.get("runs", ())
            if one["kind"] == FEED and one["from_node"] == near and one["to_node"] not in outwards
        )
    ends = dict.fromkeys(
        end for joint in joints for end in (joint.node, *([joint.rail.node] if joint.rail else ()))
    )
    heads = [one for one in HEADS if one in ends]
    rest = [one for one in (*outwards, *ends, *devices) if one not in HEADS]
    nodes: dict[str, Node] = {}
    for name in dict.fromkeys((*heads, *rest)):
        device = devices.get(name)
        if name in HEADS:
            nodes[name] = _head(name, document)
        elif device is not None:
            nodes[name] = _device(device, document)
        elif name in ends:
            nodes[name] = Node(name, wording.capital(place_of(name)))
    return nodes


def _head(name: str, document: Document) -> Node:
    vehicle, supply = document["vehicle"], document["plan"].get("supply", {})
    if name == BATTERY:
        facts = [
            wording.quantity(supply.get("battery_ah"), "Ah") if supply.get("battery_ah") else "",
            gettext("24 V vehicle") if supply.get("nominal_v", 0.0) > 18 else "",
        ]
        return Node(name, gettext("Battery"), facts=tuple(filter(None, facts)))
    if name == BODY:
        return Node(name, gettext("Car body"), gettext("ground"))
    if name == FACTORY_FEED:
        fuse = (supply.get("factory_feed") or {}).get("fuse_a")
        said = gettext("behind %(parts)s") % {"parts": wording.quantity(fuse, "A")} if fuse else ""
        facts = [said] if said else []
        return Node(name, gettext("Factory feed"), gettext("the car’s own wire"), tuple(facts))
    title = (
        gettext("Factory amplifier") if vehicle.get("factory_amplifier") else gettext("Head unit")
    )
    return Node(name, title, vehicle.get("audio_package", ""))


def _device(device: Document, document: Document) -> Node:
    part: Document = next((one for one in document["parts"] if one["label"] == device["id"]), {})
    serial = part.get("serial", "")
    built_in = device.get("built_in_fuses_a", ())
    fuses = " + ".join(wording.number(one) for one in built_in)
    facts = (
        gettext("serial %(serial)s") % {"serial": serial} if serial else "",
        gettext("fuses in its case: %(fuses)s") % {"fuses": wording.with_unit(fuses, "A")}
        if built_in
        else "",
    )
    return Node(
        device["id"],
        device["id"],
        device["name"],
        tuple(filter(None, facts)),
        tuple(_outputs(device["id"], document)),
    )


def _outputs(device: str, document: Document) -> Iterator[Output]:
    plan = document["plan"]
    speakers = {one["id"]: one for one in plan.get("speakers", ())}
    names = {one["id"]: one["name"] for one in plan.get("devices", ())}
    results = document["results"]["channels"]
    local = Local(document["shop"]["units"], document["shop"]["time_zone"])
    for one in plan.get("channels", ()):
        if one["device"] != device or not (one.get("speakers") or one.get("feeds_device")):
            continue
        line = one["kind"] == "line"
        feeds = [
            (name, wording.speaker_placed(speakers[name]), speakers[name]["name"])
            for name in one.get("speakers", ())
            if name in speakers
        ]
        if target := one.get("feeds_device"):
            entry = gettext("input %(number)s") % {"number": one.get("feeds_input") or "?"}
            feeds.append((target, entry, names.get(target, "")))
        wire, number = (
            one.get("wire") or {},
            wording.bridged(f"{'L' if line else ''}{one['number']}", one.get("bridged_with")),
        )
        proved = wire.get("polarity_proved")
        yield Output(
            one["id"],
            number,
            tuple(feeds),
            line,
            "" if line else _load(one, results.get(one["id"], {})),
            told(wording.JOININGS[one.get("joining", "single")]),
            wire.get("connector", ""),
            wording.lead(wire.get("positive")),
            wording.lead(wire.get("negative")),
            bool(wire),
            local.speaker_cable(one["cable"]) if one.get("cable") else "",
            ""
            if line or proved is None
            else gettext("polarity proved")
            if proved
            else gettext("polarity not proved"),
            one.get("note", ""),
        )


def _load(channel: Document, result: Document) -> str:
    reckoned = result.get("load_ohm") or channel.get("stated_load_ohm")
    parts = [wording.quantity(reckoned, "Ω")] if reckoned else []
    if measured := channel.get("measured_load_ohm"):
        said = gettext("%(load)s measured") % {"load": wording.quantity(measured, "Ω")}
        parts.append(said.replace(" ", TIGHT))
    return ", ".join(parts)


def _runs(plan: Document, local: Local) -> Iterator[Joint]:
    """A feed is drawn at the end it leads to, a return at the end it comes from."""
    for run in plan.get("runs", ()):
        one = run["conductor"]
        cable = wording.cable(
            one["size"],
            one.get("metal", "copper"),
            run.get("parallel", 1),
            one.get("stranding", "flexible"),
        )
        place = f", {gettext('engine bay')}" if run.get("place") == "engine_bay" else ""
        fuses = fuses_of(run, local)
        back = run["kind"] == RETURN
        source, end = run["from_node"], run["to_node"]
        if back:
            source, end = end, source
        yield Joint(
            end,
            run["kind"],
            Rail(run["kind"], source),
            f"{run['id']}  {cable}, {local.length(run['length_m'])}{place}",
            gettext("fuse %(fuses)s") % {"fuses": fuses} if fuses else "",
            (run.get("far_fuse") if back else run.get("fuse")) is not None,
            (run.get("fuse") if back else run.get("far_fuse")) is not None,
        )


def _turned_on(plan: Document, document: Document) -> Iterator[Joint]:
    parts = {one["label"]: one for one in document["parts"]}
    known = {one["id"] for one in plan.get("devices", ())}
    for one in plan.get("devices", ()):
        how = one.get("turn_on", "not_needed")
        if how == "not_needed":
            continue
        how = parts.get(one["id"], {}).get("turn_on") or how.replace("_", " ")
        words = {"how": inner(told(how))}
        by = one.get("turn_on_by")
        rail = Rail(TURN_ON, by) if by in known else None
        said = gettext("Turn-on: %(how)s") % words
        if by:
            said = gettext("Turn-on from %(by)s: %(how)s") % {**words, "by": by}
        yield Joint(one["id"], TURN_ON, rail, said)


def _signals(plan: Document) -> Iterator[Joint]:
    """What comes in at the inputs of each device: one line from each device that sends it."""
    for one in plan.get("devices", ()):
        lines: dict[str, list[str]] = {}
        for channel in plan.get("channels", ()):
            if channel.get("feeds_device") == one["id"]:
                entry = channel.get("feeds_input") or "?"
                ends = {"here": f"L{channel['number']}", "there": entry}
                pair = gettext("%(here)s to %(there)s") % ends
                lines.setdefault(channel["device"], []).append(pair.replace(" ", TIGHT))
        for source, pairs in lines.items():
            said = gettext("Signal from %(source)s: %(pairs)s") % {
                "source": source,
                "pairs": ", ".join(pairs),
            }
            yield Joint(one["id"], SIGNAL, Rail(SIGNAL, source), said)
        if comes := _FROM_THE_CAR.get(one.get("input_from", "")):
            volts = one.get("input_from_v")
            said = gettext(comes)
            if volts:
                said = gettext("%(signal)s, up to %(volts)s") % {
                    "signal": said,
                    "volts": wording.quantity(volts, "V"),
                }
            yield Joint(one["id"], SIGNAL, Rail(SIGNAL, FACTORY), said)
