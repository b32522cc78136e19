"""The power section of the sheet: cables, fuses and devices as rows of strings."""

from collections.abc import Mapping, Sequence
from typing import Any

from jobs.plan.document import solution_of
from jobs.plan.power_drawing import power_path
from jobs.sheet import wording
from jobs.sheet.wording import NOTHING, Local
from jobs.symbols import with_symbols
from wiring.plan import Plan

Document = Mapping[str, Any]


def _fuse(run: Mapping[str, Any], local: Local) -> str:
    fuse = run.get("fuse")
    if fuse is None:
        return NOTHING
    body = fuse["body"].replace("_", " ")
    return (
        f"{wording.quantity(fuse['rating_a'], 'A')} {body}".strip()
        + f", {local.distance(fuse['distance_m'])} from {run['from_node']}"
    )


def _run(run: Mapping[str, Any], power: Document, local: Local) -> dict[str, str]:
    full = power["full"]["runs"].get(run["id"], {})
    music = power["music"]["runs"].get(run["id"], {})
    return {
        "id": run["id"],
        "kind": run["kind"],
        "path": f"{run['from_node']} to {run['to_node']}",
        "cable": wording.conductor(run),
        "length": local.length(run["length_m"]),
        "place": run.get("place", "cabin").replace("_", " "),
        "fuse": _fuse(run, local),
        "full_current": _size(full.get("current_a"), "A", 1),
        "music_current": _size(music.get("current_a"), "A", 1),
        "drop": _size(full.get("drop_v"), "V", 2),
        "allowed": wording.quantity(full.get("allowed_a") or None, "A", 0),
    }


def _size(value: float | None, unit: str, decimals: int) -> str:
    return wording.quantity(None if value is None else abs(value), unit, decimals)


def _device(device: Mapping[str, Any], parts: Mapping[str, Any], power: Document) -> dict[str, str]:
    full = power["full"]["devices"].get(device["id"], {})
    music = power["music"]["devices"].get(device["id"], {})
    part = parts.get(device["id"], {})
    by = part.get("turn_on_by", "")
    return {
        "id": device["id"],
        "name": device["name"],
        "turn_on": f"{part.get('turn_on', '')}{f', by {by}' if by else ''}" or NOTHING,
        "full_voltage": _size(full.get("voltage_v"), "V", 2),
        "full_current": _size(full.get("current_a"), "A", 1),
        "music_current": _size(music.get("current_a"), "A", 1),
        "idle_current": _size(device.get("idle_current_a", 0.0), "A", 1),
        "speaker_power": _speaker_power(device["name"], power["full"]),
    }


def _speaker_power(name: str, full: Mapping[str, Any]) -> str:
    """What is left for a device's speakers; nothing is said where full output is not carried."""
    label = f"power available to the speakers of {name}"
    figures = full["figures"] if full["solved"] else ()
    found = next((one for one in figures if one["label"] == label), None)
    return wording.quantity(found["value"], found["unit"], 0) if found else NOTHING


def _ampacity_sources(figures: Sequence[Mapping[str, Any]]) -> str:
    """The tables that say what the cables may carry."""
    sources = (one["source"] for one in figures if one["label"].endswith(" may carry"))
    return "; ".join(dict.fromkeys(sources))


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


def power_values(document: Document, drawn: Plan, local: Local) -> dict[str, Any]:
    """Rows of the power table and of the devices, the one-line diagram, what the supply does at
    full output, and how the battery fares. `drawn` is the document's plan as an object."""
    plan, power = document["plan"], document["results"]["power"]
    parts = {part["label"]: part for part in document["parts"]}
    full = power["full"]
    return {
        "diagram": _diagram(document, drawn, local),
        "runs": [_run(run, power, local) for run in plan.get("runs", ())],
        "devices": [_device(device, parts, power) for device in plan.get("devices", ())],
        "battery_voltage": wording.quantity(full["terminal_v"], "V", 2),
        "total_current": wording.quantity(full["source_a"], "A", 1),
        "solved": full["solved"],
        "carried": wording.quantity(100 * full["carried_fraction"], "%", 0),
        "ampacity_sources": _ampacity_sources(full["figures"]),
        "standing": [_standing(one) for one in document["results"].get("standing", ())],
    }
