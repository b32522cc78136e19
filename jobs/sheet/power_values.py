"""The power section of the sheet: cables, fuses and devices as rows of strings."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.plan.document import solution_of
from jobs.plan.power_drawing import power_path
from jobs.symbols import with_symbols
from jobs.wording import NOTHING, Local
from shop.kept_words import told
from shop.wording import current
from wiring.plan import Plan

Document = Mapping[str, Any]

BLOCK: Final = kept("block")
PLACES: Final = frozenset({"battery", "body", "factory feed", "factory sound system", BLOCK})
"""Places of the power plan that have a word: what every car has, and the block between."""


def fuses_of(run: Mapping[str, Any], local: Local, names: Mapping[str, str] | None = None) -> str:
    """The fuses at the ends of a run and how far from what, marks where `names` has none; nothing
    where there is no fuse."""
    ends = ((run.get("fuse"), run["from_node"]), (run.get("far_fuse"), run["to_node"]))
    return "; ".join(_fuse(one, at, local, names or {}) for one, at in ends if one is not None)


def _fuse(one: Document, node: str, local: Local, names: Mapping[str, str]) -> str:
    """ "60 A midi, 0.30 m from the battery"."""
    sentence = {
        "battery": gettext("%(fuse)s, %(distance)s from the battery"),
        BLOCK: gettext("%(fuse)s, %(distance)s from the block"),
        "body": gettext("%(fuse)s, %(distance)s from the body"),
    }.get(node, gettext("%(fuse)s, %(distance)s from %(place)s"))
    if node in names:
        sentence = gettext("%(fuse)s, %(distance)s from the %(place)s")
    return sentence % {
        "fuse": wording.fuse(one["rating_a"], one["body"]),
        "distance": local.distance(one["distance_m"]),
        "place": names.get(node, place_of(node)),
    }


def place_of(node: str) -> str:
    """What a place in the plan is called: one that has a word by that, a part by its mark."""
    return told(node) if node in PLACES else node


def _run(run: Mapping[str, Any], power: Document, local: Local) -> dict[str, str]:
    full = power["full"]["runs"].get(run["id"], {})
    music = power["music"]["runs"].get(run["id"], {})
    return {
        "id": run["id"],
        "kind": told(run["kind"]),
        "path": gettext("%(here)s to %(there)s")
        % {"here": place_of(run["from_node"]), "there": place_of(run["to_node"])},
        "cable": wording.conductor(run),
        "length": local.length(run["length_m"]),
        "place": told(run.get("place", "cabin").replace("_", " ")),
        "fuse": fuses_of(run, local) or NOTHING,
        "full_current": _current(full.get("current_a")),
        "music_current": _current(music.get("current_a")),
        "drop": _size(full.get("drop_v"), "V", 2),
        "allowed": wording.quantity(full.get("allowed_a") or None, "A", 0),
    }


def _current(value: float | None) -> str:
    return current(None if value is None else abs(value))


def _size(value: float | None, unit: str, decimals: int) -> str:
    return wording.quantity(None if value is None else abs(value), unit, decimals)


def _device(device: Mapping[str, Any], part: Mapping[str, Any], draw: Document) -> dict[str, str]:
    by, how = part.get("turn_on_by", ""), told(part.get("turn_on", ""))
    if by:
        how = gettext("%(how)s, by %(by)s") % {"how": how, "by": by}
    return {
        "id": device["id"],
        "name": device["name"],
        "turn_on": how or NOTHING,
        "input_from": ", ".join(
            filter(None, [part.get("input_from", ""), part.get("digital_input", "")])
        ),
        "full_current": _current(draw.get("full_a")),
        "music_current": _current(draw.get("music_a")),
        "idle_current": _current(draw.get("idle_a")),
        "full_voltage": _size(draw.get("voltage_v"), "V", 2),
        "speaker_power": _size(draw.get("power_w"), "W", 0),
    }


def _ampacity_sources(by_run: Mapping[str, Sequence[str]], runs: Iterable[Document]) -> str:
    """The tables that say what the cables may carry, each once, in the order of the runs."""
    return "; ".join(
        dict.fromkeys(with_symbols(source) for run in runs for source in by_run.get(run["id"], ()))
    )


def _standing(figure: Mapping[str, Any]) -> dict[str, str]:
    return {
        "label": figure["label"],
        "said": wording.quantity(figure["value"], figure["unit"], 1),
        "worked": with_symbols(figure.get("worked", "")),
    }


def _diagram(document: Document, drawn: Plan, local: Local) -> str:
    marks: dict[str, str] = {}
    for finding in document["findings"]:
        if finding["severity"] != "note":
            for place in finding["where"]:
                marks.setdefault(place, finding["severity"])
    solution = solution_of(drawn, document["results"]["power"]["full"])
    return power_path(drawn, solution, unit="ft" if local.us else "m", marks=marks)


def _supply(supply: Mapping[str, Any]) -> str:
    """What is entered of the car's supply that most cars have not: 24 V, lithium, its own feed."""
    parts = []
    if supply.get("nominal_v", 0.0) > 18:
        parts.append(gettext("%(volts)s vehicle") % {"volts": wording.quantity(24, "V")})
    if supply.get("battery_chemistry") == "lithium":
        parts.append(gettext("lithium battery"))
    if supply.get("reserve_min"):
        length = {"length": wording.quantity(supply["reserve_min"], "min")}
        parts.append(gettext("reserve capacity %(length)s") % length)
    feed = supply.get("factory_feed") or {}
    if feed.get("fuse_a"):
        rating = {"rating": wording.quantity(feed["fuse_a"], "A")}
        parts.append(gettext("factory feed behind a %(rating)s fuse") % rating)
    if feed.get("limit_a"):
        most = {"current": wording.quantity(feed["limit_a"], "A")}
        parts.append(gettext("factory feed gives at most %(current)s") % most)
    return ", ".join(parts)


def power_values(document: Document, drawn: Plan, local: Local) -> dict[str, Any]:
    """Rows of the power table and of the devices, the one-line diagram, what the supply does at
    full output, and how the battery fares. `drawn` is the document's plan as an object."""
    plan, results = document["plan"], document["results"]
    power, devices, runs = results["power"], plan.get("devices", ()), plan.get("runs", ())
    parts = {part["label"]: part for part in document["parts"]}
    full = power["full"]
    return {
        "diagram": _diagram(document, drawn, local),
        "runs": [_run(run, power, local) for run in runs],
        "devices": [
            _device(one, parts.get(one["id"], {}), results["devices"].get(one["id"], {}))
            for one in devices
        ],
        "draws_at": wording.quantity(results["draws_at_v"], "V", 1)
        if results["draws_at_v"]
        else "",
        "battery_voltage": wording.quantity(full["terminal_v"], "V", 2),
        "total_current": wording.quantity(full["source_a"], "A", 1),
        "solved": full["solved"],
        "carried": wording.quantity(100 * full["carried_fraction"], "%", 0),
        "ampacity_sources": _ampacity_sources(results["ampacity_sources"], runs),
        "standing": [_standing(one) for one in results["standing"]],
        "supply": _supply(plan.get("supply", {})),
    }
