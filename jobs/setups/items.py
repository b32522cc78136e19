"""One thing of a saved setup beside what the job has, and what stands in its way.

`same`: nothing to do. `new`: the job has nothing there yet. `differs`: parts or entries differ, so
a person decides. `impossible`: it cannot be taken, and why.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from jobs.models import SavedSetup
from jobs.setups.match import Matches, State


@dataclass(frozen=True)
class Item:
    """One thing of the setup beside what the job has.

    `needs` are keys of items that must be taken, or already the same, before this one can be.
    `values` are model values by field name; `target` the row they go to, None when it is made.
    `result` says what the job then has, where that is not what the setup says; `remind` what is
    still to be done in the car.
    """

    key: str
    group: str
    title: str
    setup: str
    job: str
    state: State
    why: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    target: int | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    extra: Any = None
    result: str = ""
    remind: str = ""

    @property
    def then(self) -> str:
        """What the job has when the item is taken."""
        return self.result or self.setup

    @property
    def taken_by_default(self) -> bool:
        return self.state == "new"

    @property
    def open(self) -> bool:
        """Whether a person may take it or leave it."""
        return self.state in {"new", "differs"}


@dataclass(frozen=True)
class Comparison:
    """Every item, and a token that changes when what is compared changes."""

    setup: SavedSetup
    matches: Matches
    items: tuple[Item, ...]

    @property
    def token(self) -> str:
        told = [(one.key, one.state, one.setup, one.job, one.then, one.why) for one in self.items]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:20]

    def of(self, group: str) -> list[Item]:
        return [item for item in self.items if item.group == group]

    @property
    def open_items(self) -> list[Item]:
        return [item for item in self.items if item.open]


def unlike(needs: Iterable[str], matches: Matches) -> tuple[str, ...]:
    """What is unlike about the parts an item stands on."""
    why = []
    for need in needs:
        kind, _, name = need.partition(":")
        match: Any = matches.devices.get(name) if kind == "device" else matches.speakers.get(name)
        if match is not None and match.state == "differs":
            why.append(f"{name} is not the same here, see above")
    return tuple(why)


def blocked_by(needs: Iterable[str], matches: Matches) -> tuple[str, ...]:
    blocked = []
    for need in needs:
        kind, _, name = need.partition(":")
        match: Any = matches.devices.get(name) if kind == "device" else matches.speakers.get(name)
        if match is None or match.state == "impossible":
            blocked.append(f"{name} has nothing in this job that stands for it")
    return tuple(blocked)
