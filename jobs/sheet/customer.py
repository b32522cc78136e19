"""The customer's page: what the signed record says, in the words of who drives the car.

It is drawn from the frozen document alone, as the install sheet is, so the two cannot differ. What
only a workshop needs (advice, sources, marks, findings, hashes, rows without an entry) stays on
the install sheet. The document is kept in English; the page is written in the active language.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from itertools import groupby
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.utils.translation import gettext, ngettext

from jobs.services.comebacks import after_months
from jobs.sheet.power_values import fuses_of
from jobs.sheet.values import CUSTOMER_ROLE, MANAGER_ROLE, sheet_values
from jobs.wording import Local
from shop.kept_words import told
from shop.wording import day, listed

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
        "check_code": values["check_code"],
        "sheet": values["sheet"],
        "signed_on": values["signed_on"],
        "facts": values["facts"],
        "parts": _parts(whole),
        "panels": _panels(whole),
        "functions": _functions(whole),
        "measured": measured,
        "curve": None if measured else _first_curve(sound.get("curves", ())),
        "readings": [
            {**one, "label": told(one["label"])}
            for one in values["readings"]["rows"]
            if one["before_how"] and one["after_how"]
        ][:MOST_READINGS],
        "fuses": _fuses(whole),
        "warranty": _warranty(whole, receipt),
        "photos": [{**one, "shows": told(one["shows"])} for one in photos[:MOST_PHOTOS]],
        "signatures": [one for one in values["signatures"] if one["role"] in SIGNED],
        "receipt": receipt,
    }


def _first_curve(curves: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    return next(iter(curves), None)


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


def _panels(document: Document) -> list[str]:
    """Panels and clips that are no longer the car's own, a sentence each."""
    sentences = []
    for one in document.get("panels", ()):
        count = one["clips_replaced"] or 0
        clips = ngettext(
            "%(count)d clip or screw replaced", "%(count)d clips or screws replaced", count
        )
        panel = gettext("replaced") if one["state"] == "Replaced" else ""
        if said := listed([*filter(None, [panel, clips % {"count": count} if count else ""])]):
            note = f" {one['note']}" if one["note"] else ""
            sentences.append(f"{told(one['name'])}: {said}.{note}")
    return sentences


def _functions(document: Document) -> dict[str, Any]:
    """Names of factory functions by what became of them."""
    rows = document["function_checks"]

    def named(*, before: str | None = None, after: str) -> list[str]:
        return [
            told(one["name"])
            for one in rows
            if one["after"] == after and (before is None or one["before"] == before)
        ]

    return {
        "as_before": named(before="works", after="works"),
        "now": listed(named(before="fault", after="works")),
        "neither": listed(named(before="fault", after="fault")),
        "lost": [
            {"name": told(one["name"]), "note": one["after_note"]} for one in rows if one["lost"]
        ],
    }


def _warranty(document: Document, receipt: Mapping[str, Any] | None) -> list[str]:
    """How long the shop answers for what, with its last day once the car was handed over."""
    shop = document["shop"]
    promised = shop.get("warranty_months") or {}
    given_on = None
    if receipt is not None:
        given_on = datetime.fromisoformat(receipt["at"]).astimezone(ZoneInfo(shop["time_zone"]))
    return [
        _promise(of, months, given_on.date() if given_on else None)
        for of, months in promised.items()
        if months is not None
    ]


def _promise(of: str, months: int, given_on: date | None) -> str:
    """Until when, or for how long, the shop answers for the work or the parts."""
    if given_on is None:
        said = {
            "work": ngettext(
                "Warranty of the work: %(count)d month from the day of the hand-over.",
                "Warranty of the work: %(count)d months from the day of the hand-over.",
                months,
            ),
            "parts": ngettext(
                "Warranty of the parts: %(count)d month from the day of the hand-over.",
                "Warranty of the parts: %(count)d months from the day of the hand-over.",
                months,
            ),
        }[of]
        return said % {"count": months}
    said = {
        "work": ngettext(
            "Warranty of the work: until %(day)s, %(count)d month from the hand-over.",
            "Warranty of the work: until %(day)s, %(count)d months from the hand-over.",
            months,
        ),
        "parts": ngettext(
            "Warranty of the parts: until %(day)s, %(count)d month from the hand-over.",
            "Warranty of the parts: until %(day)s, %(count)d months from the hand-over.",
            months,
        ),
    }[of]
    return said % {"day": day(after_months(given_on, months)), "count": months}


def _fuses(document: Document) -> list[str]:
    """Each fuse that was added, where it sits and what it feeds, by name."""
    plan, shop = document["plan"], document["shop"]
    local = Local(shop["units"], shop["time_zone"])
    devices = {one["id"]: one["name"] for one in plan.get("devices", ())}
    return [
        sentence for run in plan.get("runs", ()) if (sentence := _fuses_of(run, local, devices))
    ]


def _fuses_of(run: Mapping[str, Any], local: Local, devices: Mapping[str, str]) -> str:
    """The fuses at both ends of a run and what it feeds; nothing where there is none."""
    said = fuses_of(run, local, devices)
    if said and run["to_node"] in devices:
        return gettext("%(fuses)s, for the %(device)s") % {
            "fuses": said,
            "device": devices[run["to_node"]],
        }
    return said
