"""What was found on arrival, why the parts fit, and the notes, in two halves beside each other.

Which half a line stands in is told by how long its text is: to let the renderer try how high two
columns have to be, a pixel at a time, took a third of the time of a small paper.
"""

from collections.abc import Mapping, Sequence
from math import ceil
from typing import Any, Final

from jobs.wording import Local

LETTERS: Final = 58
LETTERS_BESIDE_PICTURE: Final = 42
"""How many letters a line of a half takes, in 9 pt, counted on papers."""

GAP: Final = 0.2
TITLE: Final = 1.6
"""The room between two entries, and that of a title, in lines."""

MOST_LINES: Final = 40
"""What is longer is not laid beside each other: it may have to go on on the next page."""


def _lines(texts: Sequence[str], letters: int) -> float:
    """How many lines some texts take, each beginning on a line of its own."""
    return sum(
        GAP + sum(max(1, ceil(len(line) / letters)) for line in text.split("\n")) for text in texts
    )


def _of_facts(check_in: Mapping[str, Any] | None, letters: int) -> float:
    if check_in is None:
        return 0.0
    marks = "; ".join(f"1 {one['kind']}: {one.get('note', '')}" for one in check_in["marks"])
    asked = [check_in.get("valuables"), check_in.get("customer_report")]
    texts = ["energy", f"Keys: {check_in.get('keys_note', '')}", f"Marks: {marks}"]
    return _lines([*texts, *(f"Customer reported: {text}" for text in asked if text)], letters)


SHOWN: Final = ("source", "reference", "outcome", "note", "text", "by", "when")


def _said(entry: Mapping[str, Any]) -> str:
    return " ".join(str(entry[name]) for name in SHOWN if entry.get(name))


def arrival_halves(document: Mapping[str, Any], local: Local) -> list[dict[str, Any]]:
    """The halves, or all of it as one where it is too long, each with `facts` (whether those of the
    check-in stand in it), `proofs` and `notes`, and `proofs_begin`, `notes_begin`: whether the
    first of them is in it, below its title."""
    proofs = [{**one, "when": local.day(one["consulted_on"])} for one in document["fit_proofs"]]
    notes = [{**one, "when": local.moment(one["at"])} for one in document["notes"]]
    check_in = document["check_in"]
    letters = LETTERS_BESIDE_PICTURE if check_in is not None and check_in["marks"] else LETTERS
    facts = _of_facts(check_in, letters)
    heights = [
        _lines([_said(one)], letters) + (0 if place else TITLE)
        for group in (proofs, notes)
        for place, one in enumerate(group)
    ]
    first = 0 if check_in is not None else min(1, len(heights))
    cuts = range(first, len(heights) + 1)
    cut = min(cuts, key=lambda at: max(facts + sum(heights[:at]), sum(heights[at:])))
    if facts + sum(heights) > 2 * MOST_LINES:
        cut = len(heights)
    of_proofs = min(cut, len(proofs))
    of_notes = cut - of_proofs
    halves = [
        {
            "facts": check_in is not None,
            "proofs": proofs[:of_proofs],
            "notes": notes[:of_notes],
            "proofs_begin": True,
            "notes_begin": True,
        },
        {
            "facts": False,
            "proofs": proofs[of_proofs:],
            "notes": notes[of_notes:],
            "proofs_begin": not of_proofs,
            "notes_begin": not of_notes,
        },
    ]
    return [one for one in halves if one["facts"] or one["proofs"] or one["notes"]]
