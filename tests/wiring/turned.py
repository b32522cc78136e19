"""What becomes of the findings of each hard plan when one of its facts is turned or left out.

    python -m tests.wiring.turned > tests/wiring/turned.txt

A number is halved, doubled and left out, everything else left out. One line is one fact: where it
stands, what was done, what is told more (+) and no more (-). A limit that moves, or a condition
that no longer asks for a fact, is seen in it. Facts that change nothing have no line, and what an
earlier plan has told already has none again.
"""

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.wiring.told import HARD
from wiring.check import check
from wiring.plan import PlanError, from_builtins

KEPT = Path(__file__).parent / "turned.txt"
TURNS = (("halved", 0.5), ("doubled", 2.0), ("left out", None))

Place = tuple[str | int, ...]


def _facts(node: Any, place: Place = ()) -> Iterator[Place]:
    if isinstance(node, dict):
        for name, inner in node.items():
            single = isinstance(inner, str | int | float | None)
            if single or len(place) > 1:
                yield (*place, name)
            if not single:
                yield from _facts(inner, (*place, name))
    elif isinstance(node, list):
        for at, inner in enumerate(node):
            yield from _facts(inner, (*place, at))


def _turned(plan: dict[str, Any], place: Place, factor: float | None) -> dict[str, Any] | None:
    changed = copy.deepcopy(plan)
    inner: Any = changed
    for step in place[:-1]:
        inner = inner[step]
    if factor is None:
        del inner[place[-1]]
    elif isinstance(inner[place[-1]], float):
        inner[place[-1]] *= factor
    else:
        return None
    return changed


def _found(plan: dict[str, Any], distances_m: dict[str, float] | None) -> set[str]:
    findings = check(from_builtins(plan), distances_m)
    return {f"{one.severity} {one.rule} @ {', '.join(one.where)}" for one in findings}


def _lines(case: dict[str, Any]) -> Iterator[str]:
    plan, distances_m = case["plan"], case.get("distances_m")
    before = _found(plan, distances_m)
    for place in _facts(plan):
        for word, factor in TURNS:
            changed = _turned(plan, place, factor)
            if changed is None:
                continue
            try:
                after = _found(changed, distances_m)
            except PlanError:
                continue
            changes = [f"+ {one}" for one in sorted(after - before)]
            changes += [f"- {one}" for one in sorted(before - after)]
            if changes:
                yield f"  {'.'.join(map(str, place))} {word}: {'; '.join(changes)}"


def turned() -> str:
    """The lines of each plan below its name, each line where it comes first."""
    seen: set[str] = set()
    text: list[str] = []
    for path in HARD:
        lines = _lines(json.loads(path.read_text(encoding="utf-8")))
        new = [line for line in lines if line not in seen]
        seen.update(new)
        text += [path.stem, *new] if new else []
    return "\n".join(text) + "\n"


if __name__ == "__main__":
    print(turned(), end="")
