"""What differs between two tuning records, in the words of the sheet."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

from jobs import wording
from jobs.models import Job, TuningRecord
from jobs.services.tuning.records import facts_of


class Difference(NamedTuple):
    """One setting of one channel that is not the same in both."""

    channel: str
    name: str
    first: str
    second: str


def _sections(facts: dict[str, Any]) -> str:
    return "; ".join(wording.section(one) for one in facts["sections"]) or "none"


Facts = dict[str, Any]

_WORDS: Final[dict[str, tuple[str, Callable[[Facts], str]]]] = {
    "High-pass": ("high_pass", lambda facts: wording.filter_facts(facts, "high_pass") or "none"),
    "Low-pass": ("low_pass", lambda facts: wording.filter_facts(facts, "low_pass") or "none"),
    "Level": ("level_db", lambda facts: wording.level(facts["level_db"])),
    "Delay": ("delay_ms", lambda facts: wording.delay(facts["delay_ms"])),
    "Polarity": ("inverted", lambda facts: "inverted" if facts["inverted"] else "normal"),
    "Muted": ("muted", lambda facts: "yes" if facts["muted"] else "no"),
    "Equaliser": ("sections", _sections),
}
"""Each setting: how its facts' names begin, and its words."""


def _apart(here: Facts, there: Facts, begins: str) -> bool:
    return any(here[name] != there[name] for name in here if name.startswith(begins))


def differences(job: Job, first: TuningRecord, second: TuningRecord) -> list[Difference]:
    """Every setting that differs, channel by channel in the order of the plan."""
    sides = [{row.channel_id: row for row in record.settings.all()} for record in (first, second)]
    rows = []
    for channel in job.channels.select_related("part").order_by("part_id", "kind", "number"):
        here, there = (facts_of(side.get(channel.pk)) for side in sides)
        rows += [
            Difference(channel.plan_id, name, words(here), words(there))
            for name, (begins, words) in _WORDS.items()
            if _apart(here, there, begins)
        ]
    return rows
