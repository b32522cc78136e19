"""A sheet's document of any earlier version, as the newest version has it.

A signed document is kept as it was signed; what is made here is only shown. Nothing is worked
out: what an earlier version kept elsewhere is put where it is looked for now.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any

from shop.languages import ENGLISH

Document = Mapping[str, Any]


def paper_of(document: Document) -> str:
    """The paper a document is printed on; from before the shop said so, that of its units."""
    shop = document["shop"]
    usual = "letter" if shop["units"] == "us" else "a4"
    return str(shop.get("paper", usual))


def language_of(document: Document) -> str:
    """The language of the customer's page; English from before customers had one."""
    return str(document.get("language", ENGLISH))


def shop_language_of(document: Document) -> str:
    """The language of the install sheet and the wiring sheet."""
    return str(document.get("shop_language", ENGLISH))


def _ampacity_source(full: Document, run: Document) -> list[str]:
    label = f"current {run['conductor']['size']} may carry"
    return list(dict.fromkeys(one["source"] for one in full["figures"] if one["label"] == label))


def _left_for_speakers(plan: Document, full: Document) -> dict[str, float]:
    """Power by device id. Version 1 named a figure by product alone, but listed the devices in
    the order of the plan, so that equal products are told apart by their turn."""
    if not full["solved"]:
        return {}
    listed: dict[str, list[float]] = defaultdict(list)
    for figure in full["figures"]:
        listed[figure["label"]].append(figure["value"])
    left = {}
    for device in plan.get("devices", ()):
        turns = listed[f"power available to the speakers of {device['name']}"]
        if turns and device["id"] in full["devices"]:
            left[device["id"]] = turns.pop(0)
    return left


def _tuned(tuned: Document | None) -> dict[str, Any] | None:
    """Version 1 said in the drawing alone that it holds what is expected now."""
    if not tuned:
        return None
    measured = [
        {**one, "expected_drawn": "Expected now" in one["svg"]} for one in tuned["measured"]
    ]
    return {**tuned, "measured": measured}


def _signatures(signatures: Document) -> dict[str, Any]:
    """Version 1 had whoever handed the job to review sign for the work."""
    by_role = dict(signatures)
    signed = by_role.pop("technician")
    work = None
    if signed:
        work = {"people": [signed["name"]], "handed_over_by": signed["name"], "at": signed["at"]}
    return {**by_role, "work": work}


def _from_1(document: Document) -> dict[str, Any]:
    """Version 2 keeps what a device draws and gets by its id, who did the work, and when it
    started; version 1 knew the day that was booked."""
    plan, results = document["plan"], document["results"]
    full, music = results["power"]["full"], results["power"]["music"]
    left = _left_for_speakers(plan, full)
    devices = {
        device["id"]: {
            "full_a": full["devices"].get(device["id"], {}).get("current_a"),
            "music_a": music["devices"].get(device["id"], {}).get("current_a"),
            "idle_a": device.get("idle_current_a", 0.0),
            "voltage_v": full["devices"].get(device["id"], {}).get("voltage_v"),
            "power_w": left.get(device["id"]),
        }
        for device in plan.get("devices", ())
    }
    return {
        **document,
        "document_version": 2,
        "photos": [],
        "signatures": _signatures(document["signatures"]),
        "sound": _tuned(document.get("sound")),
        "results": {
            "standing": [],
            **results,
            "draws_at_v": None,
            "devices": devices,
            "ampacity_sources": {
                run["id"]: _ampacity_source(full, run) for run in plan.get("runs", ())
            },
        },
    }


STEPS: dict[int, Callable[[Document], dict[str, Any]]] = {1: _from_1}
"""From each earlier version to the next."""


def newest(document: Document) -> Document:
    """The document as the newest version has it; itself when it is that."""
    while step := STEPS.get(document["document_version"]):
        document = step(document)
    return document
