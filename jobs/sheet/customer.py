"""The customer's page: what the signed record says, in the words of who drives the car.

It is drawn from the frozen document alone, as the install sheet is, so the two cannot differ. What
only a workshop needs (advice, sources, marks, findings, hashes, rows without an entry) stays on
the install sheet.
"""

import re
from collections.abc import Mapping
from itertools import groupby
from typing import Any, Final

from jobs.sheet.values import CUSTOMER_ROLE, MANAGER_ROLE, sheet_values
from jobs.wording import NOTHING
from shop.wording import listed

Document = Mapping[str, Any]
MOST_PHOTOS: Final = 3
MOST_READINGS: Final = 6
SIGNED: Final = frozenset({MANAGER_ROLE, CUSTOMER_ROLE})


def customer_values(
    document: Document, receipt: Mapping[str, Any] | None, photo_sources: Mapping[int, str]
) -> dict[str, Any]:
    """What the customer's page shows; `receipt` is None before the customer has signed."""
    values = sheet_values(document, receipt, photo_sources)
    whole: Document = values["document"]
    sound = values["sound"] or {}
    measured = next(iter(sound.get("measured", ())), None)
    photos = [one for row in values["photos"]["rows"] for one in row if one["src"]]
    return {
        "document": whole,
        "sheet": values["sheet"],
        "signed_on": values["signed_on"],
        "facts": values["facts"],
        "parts": _parts(whole),
        "functions": _functions(whole),
        "measured": measured,
        "curve": None if measured else next(iter(sound.get("curves", ())), None),
        "readings": [one for one in values["readings"] if one["before_how"] and one["after_how"]][
            :MOST_READINGS
        ],
        "fuses": _fuses(values["power"], whole),
        "photos": photos[:MOST_PHOTOS],
        "signatures": [one for one in values["signatures"] if one["role"] in SIGNED],
        "receipt": receipt,
    }


def _parts(document: Document) -> list[dict[str, Any]]:
    """Each product once, with its count and its serial numbers."""
    rows = sorted(document["parts"], key=lambda one: (one["kind_label"], one["product_id"]))
    return [
        {
            "product": same[0]["product"],
            "quantity": sum(one["quantity"] for one in same),
            "serials": ", ".join(one["serial"] for one in same if one["serial"]),
        }
        for same in (list(group) for _, group in groupby(rows, lambda one: one["product_id"]))
    ]


def _functions(document: Document) -> dict[str, Any]:
    """Names of factory functions by what became of them."""
    rows = document["function_checks"]

    def named(*, before: str | None = None, after: str) -> list[str]:
        return [
            one["name"]
            for one in rows
            if one["after"] == after and (before is None or one["before"] == before)
        ]

    return {
        "as_before": named(before="works", after="works"),
        "now": listed(named(before="fault", after="works")),
        "neither": listed(named(before="fault", after="fault")),
        "lost": [{"name": one["name"], "note": one["after_note"]} for one in rows if one["lost"]],
    }


def _fuses(power: Document, document: Document) -> list[str]:
    """Each fuse that was added, where it sits and what it feeds, by name."""
    names = {one["id"]: one["name"] for one in document["plan"].get("devices", ())}
    ends = {one["id"]: one["to_node"] for one in document["plan"].get("runs", ())}
    return [
        _named(one["fuse"], names) + (f", for the {names[to]}" if to in names else "")
        for one in power["runs"]
        if one["fuse"] != NOTHING
        for to in (ends[one["id"]],)
    ]


def _named(text: str, names: Mapping[str, str]) -> str:
    """A text with the names of devices in place of their marks."""
    return re.sub(r"\bfrom (\S+)", lambda found: f"from the {names.get(found[1], found[1])}", text)
