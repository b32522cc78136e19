"""What a file would do to the records of the book, row by row, before anything is written."""

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Generic, TypeVar

from django.db import models
from django.utils.translation import gettext

from shop.models import Shop
from shop.typed import whole


class State(StrEnum):
    """What a row of a file is to the records that stand."""

    NEW = "new"
    CHANGED = "changed"
    SAME = "same"
    ALIKE = "alike"
    WRONG = "wrong"


class Choice(StrEnum):
    """What to do with a row that looks like a record without being it."""

    LEAVE = "leave"
    UPDATE = "update"
    ADD = "add"


class ImportRefused(Exception):
    """Why nothing was imported, as a sentence; the records are as they were."""


@dataclass
class Change:
    """One entry before and after, as shown."""

    label: str
    old: str
    new: str


Record = TypeVar("Record", bound=models.Model)


@dataclass
class RowOutcome(Generic[Record]):
    """What one row would do: to the record it speaks of, or to none; `alike` looks like it."""

    number: int
    title: str
    state: State = State.NEW
    record: Record | None = None
    alike: Record | None = None
    why: str = ""
    choice: Choice = Choice.LEAVE
    changes: list[Change] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def can_update(self) -> bool:
        """Whether the record that looks like the row can take what the row says."""
        return self.alike is not None

    @property
    def writes(self) -> bool:
        """Whether this row adds or changes a record."""
        if self.state == State.ALIKE:
            return self.choice == Choice.ADD or (self.choice == Choice.UPDATE and self.can_update)
        return self.state in {State.NEW, State.CHANGED}


Outcome = TypeVar("Outcome", bound=RowOutcome[Any])


@dataclass
class ImportPlan(Generic[Outcome]):
    """What a file would do, row by row."""

    outcomes: list[Outcome]

    def of(self, state: str) -> list[Outcome]:
        return [outcome for outcome in self.outcomes if outcome.state == state]

    @property
    def counts(self) -> Counter[str]:
        return Counter(str(outcome.state) for outcome in self.outcomes)

    @property
    def writes(self) -> int:
        """How many records are added or changed."""
        return sum(outcome.writes for outcome in self.outcomes)

    def refuse_unless_shown(
        self, digest: str, changed: str, *, without_wrong: bool = False
    ) -> None:
        """Raise ImportRefused when this is not what was shown, or a row is wrong.

        `changed` begins the sentence: what has changed since.
        """
        if self.digest != digest:
            raise ImportRefused(
                gettext(
                    "%(changed)s changed since this was shown. Look through it again, then import."
                )
                % {"changed": changed}
            )
        if (wrong := self.of(State.WRONG)) and not without_wrong:
            raise ImportRefused(
                gettext("Nothing was imported: row %(wrong)s is wrong. %(errors)s")
                % {"wrong": wrong[0].number, "errors": wrong[0].errors[0]}
            )

    @property
    def digest(self) -> str:
        """Stands for what was shown, whatever is chosen: another digest means look again."""
        rows = [
            [
                one.number,
                one.record and one.record.pk,
                one.alike and one.alike.pk,
                [(change.label, change.old, change.new) for change in one.changes],
            ]
            for one in self.outcomes
        ]
        return hashlib.sha256(json.dumps(rows).encode()).hexdigest()


def one_at_a_time() -> None:
    """Files are brought in, and taken back, one after another. Call inside a transaction."""
    Shop.objects.select_for_update().get(pk=Shop.objects.current().pk)


def choices_of(posted: Mapping[str, str]) -> dict[int, Choice]:
    """What was chosen for rows that look like a record, by row number."""
    choices = {}
    for name, value in posted.items():
        number = whole(name.removeprefix("row_"))
        if name.startswith("row_") and number is not None and value in list(Choice):
            choices[number] = Choice(value)
    return choices
