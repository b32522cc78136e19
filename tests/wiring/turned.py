"""What becomes of the findings of each hard plan when one of its facts is turned or left out.

    python -m tests.wiring.turned > tests/wiring/turned.txt

A measure is halved, doubled and left out, a count is one more and one fewer, everything else is
left out. One line is one fact: where it stands, what was done, what is told more (+) and no more
(-). Where a measure turns a rule for the first time, the limit is sought between the two values:
four figures of it, and whether the limit itself is told. A limit that moves, or a condition that no
longer asks for a fact, is seen in it. Facts that change nothing have no line, and what an earlier
plan has told already has none again.
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
FACTORS = {"halved": 0.5, "doubled": 2.0}
STEPS = {"one more": 1, "one fewer": -1}
HALVINGS = 16
"""How often the gap between told and not told is halved: finer than the figures shown."""

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


def _value(plan: dict[str, Any], place: Place) -> Any:
    value: Any = plan
    for step in place:
        value = value[step]
    return value


def _with(plan: dict[str, Any], place: Place, *value: Any) -> dict[str, Any]:
    """The plan with another value at `place`, or without one."""
    changed = copy.deepcopy(plan)
    inner = _value(changed, place[:-1])
    if value:
        inner[place[-1]] = value[0]
    else:
        del inner[place[-1]]
    return changed


def _turns(value: Any) -> dict[str, tuple[Any, ...]]:
    """The values a fact is turned into, each by what is done; none where it is left out."""
    turns: dict[str, tuple[Any, ...]] = {"left out": ()}
    if isinstance(value, float):
        turns |= {word: (value * factor,) for word, factor in FACTORS.items()}
    elif isinstance(value, int) and not isinstance(value, bool):
        turns |= {word: (value + step,) for word, step in STEPS.items()}
    return turns


def _found(plan: dict[str, Any], distances_m: dict[str, float] | None) -> set[str]:
    findings = check(from_builtins(plan), distances_m)
    return {f"{one.severity} {one.rule} @ {', '.join(one.where)}" for one in findings}


def _limit(case: dict[str, Any], place: Place, told: float, silent: float, line: str) -> str:
    """Where a measure between two values begins to be told as `line`."""
    distances_m = case.get("distances_m")

    def tells(value: float) -> bool:
        try:
            return line in _found(_with(case["plan"], place, value), distances_m)
        except PlanError:
            return False

    for _ in range(HALVINGS):
        middle = (told + silent) / 2
        told, silent = (middle, silent) if tells(middle) else (told, middle)
    limit = float(f"{told:.4g}")
    return f", {'told' if tells(limit) else 'silent'} at {limit:g}"


def _kind(place: Place) -> str:
    """Which fact of which table a place is, whatever the row."""
    return ".".join(str(step) for step in place if not isinstance(step, int))


def _lines(case: dict[str, Any], limits: set[tuple[str, ...]]) -> Iterator[str]:
    plan, distances_m = case["plan"], case.get("distances_m")
    before = _found(plan, distances_m)
    for place in _facts(plan):
        value = _value(plan, place)
        for word, other in _turns(value).items():
            try:
                after = _found(_with(plan, place, *other), distances_m)
            except PlanError:
                continue
            changes = []
            for sign, lines in (("+", after - before), ("-", before - after)):
                for line in sorted(lines):
                    limit = ""
                    kind = (sign, word, line.partition(" @ ")[0], _kind(place))
                    if word in FACTORS and kind not in limits:
                        limits.add(kind)
                        ends = (other[0], value) if sign == "+" else (value, other[0])
                        limit = _limit(case, place, *ends, line)
                    changes.append(f"{sign} {line}{limit}")
            if changes:
                yield f"  {'.'.join(map(str, place))} {word}: {'; '.join(changes)}"


def turned() -> str:
    """The lines of each plan below its name, each line where it comes first."""
    limits: set[tuple[str, ...]] = set()
    seen: set[str] = set()
    text: list[str] = []
    for path in HARD:
        lines = _lines(json.loads(path.read_text(encoding="utf-8")), limits)
        new = [line for line in lines if line not in seen]
        seen.update(new)
        text += [path.stem, *new] if new else []
    return "\n".join(text) + "\n"


if __name__ == "__main__":
    print(turned(), end="")
