"""What differs between two tuning records, in the words of the sheet."""

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


_FACTS: Final = {
    "High-pass": ("high_pass_family", "high_pass_order", "high_pass_hz"),
    "Low-pass": ("low_pass_family", "low_pass_order", "low_pass_hz"),
    "Level": ("level_db",),
    "Delay": ("delay_ms",),
    "Polarity": ("inverted",),
    "Muted": ("muted",),
    "Equaliser": ("sections",),
}


def _crossover(facts: dict[str, Any], name: str) -> str:
    family, order, hz = (facts[f"{name}_{part}"] for part in ("family", "order", "hz"))
    if not (family or order or hz):
        return "none"
    parts = [
        wording.hertz(hz) if hz else "no frequency",
        wording.FAMILIES.get(family, "no family"),
        wording.slope(order) if order else "no slope",
    ]
    return " ".join(parts)


def _sections(facts: dict[str, Any]) -> str:
    return "; ".join(wording.section(one) for one in facts["sections"]) or "none"


def in_words(facts: dict[str, Any]) -> dict[str, str]:
    """Settings of a channel as name and words."""
    return {
        "High-pass": _crossover(facts, "high_pass"),
        "Low-pass": _crossover(facts, "low_pass"),
        "Level": wording.level(facts["level_db"]),
        "Delay": wording.delay(facts["delay_ms"]),
        "Polarity": "inverted" if facts["inverted"] else "normal",
        "Muted": "yes" if facts["muted"] else "no",
        "Equaliser": _sections(facts),
    }


def differences(job: Job, first: TuningRecord, second: TuningRecord) -> list[Difference]:
    """Every setting that differs, channel by channel in the order of the plan."""
    sides = [{row.channel_id: row for row in record.settings.all()} for record in (first, second)]
    rows = []
    for channel in job.channels.select_related("part").order_by("part_id", "kind", "number"):
        here, there = (facts_of(side.get(channel.pk)) for side in sides)
        left, right = in_words(here), in_words(there)
        rows += [
            Difference(channel.plan_id, name, left[name], right[name])
            for name, facts in _FACTS.items()
            if any(here[fact] != there[fact] for fact in facts)
        ]
    return rows
