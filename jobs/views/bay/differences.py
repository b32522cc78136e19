"""What differs between two tuning records, in the words of the sheet."""

from typing import Any, NamedTuple

from jobs.forms.bay.cells import show_number
from jobs.models import Job, TuningRecord
from jobs.models.tuning import FAMILY_CHOICES
from jobs.services.tuning.records import facts_of

_FAMILIES = dict(FAMILY_CHOICES)


class Difference(NamedTuple):
    """One setting of one channel that is not the same in both."""

    channel: str
    name: str
    first: str
    second: str


def _crossover(facts: dict[str, Any], name: str) -> str:
    family, order, hz = (facts[f"{name}_{part}"] for part in ("family", "order", "hz"))
    if not (family or order or hz):
        return "none"
    parts = [
        f"{show_number(hz)} Hz" if hz else "no frequency",
        _FAMILIES.get(family, "no family"),
        f"{6 * order} dB/oct" if order else "no slope",
    ]
    return " ".join(parts)


def _sections(facts: dict[str, Any]) -> str:
    said = [
        f"{one['kind'].replace('_', ' ')} {one['frequency_hz']:g} Hz "
        f"{one['gain_db']:+g} dB Q {one['q']:g}"
        for one in facts["sections"]
    ]
    return "; ".join(said) or "none"


def in_words(facts: dict[str, Any]) -> dict[str, str]:
    """Settings of a channel as name and words."""
    return {
        "High-pass": _crossover(facts, "high_pass"),
        "Low-pass": _crossover(facts, "low_pass"),
        "Level": f"{show_number(facts['level_db'])} dB",
        "Delay": f"{show_number(facts['delay_ms'])} ms",
        "Polarity": "inverted" if facts["inverted"] else "normal",
        "Muted": "yes" if facts["muted"] else "no",
        "Equaliser": _sections(facts),
    }


def differences(job: Job, first: TuningRecord, second: TuningRecord) -> list[Difference]:
    """Every setting that differs, channel by channel in the order of the plan."""
    sides = [{row.channel_id: row for row in record.settings.all()} for record in (first, second)]
    found = []
    for channel in job.channels.select_related("part").order_by("part_id", "kind", "number"):
        left, right = (in_words(facts_of(side.get(channel.pk))) for side in sides)
        found += [
            Difference(channel.plan_id, name, left[name], right[name])
            for name in left
            if left[name] != right[name]
        ]
    return found
