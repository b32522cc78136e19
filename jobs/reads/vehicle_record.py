"""What the signed sheets of a vehicle say, over all its visits.

Everything is read from the frozen documents, of each job the revision that stands.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple

from jobs import wording
from jobs.models import InstallSheet, ReadingKind
from jobs.models.sign_off import sheet_number
from shop.models import Vehicle

MOST_SHEETS: Final = 60
OF_THE_CAR: Final = frozenset(
    {ReadingKind.BATTERY_REST, ReadingKind.CHARGING, ReadingKind.KEY_OFF, ReadingKind.OTHER}
)
"""Kinds of readings that mean the same on every visit; A1 of one need not be A1 of another."""

WIDTH, HEIGHT, EDGE = 240, 48, 5


class Visit(NamedTuple):
    """One job's sheet that stands, and what was fitted, each product once."""

    number: str
    job: int
    revision: int
    signed_at: datetime
    odometer: str
    fitted: list[str]
    replaced: list[tuple[str, int]]
    """Sheets of the same job that it corrects, by number and revision."""


class Read(NamedTuple):
    """One reading on one visit, as the car came and as it left; empty where it was not taken."""

    number: str
    at: datetime
    before: str
    after: str


@dataclass(frozen=True)
class Trend:
    """A reading of the car itself over its visits; `points` are those of a polyline."""

    label: str
    rows: list[Read]
    points: str
    ends: tuple[tuple[float, float], ...]


class Record(NamedTuple):
    """The sheets of a vehicle, newest first, and its readings over the visits."""

    visits: list[Visit]
    trends: list[Trend]


def record_of(vehicle: Vehicle) -> Record:
    """What is signed of a vehicle, at most of its MOST_SHEETS newest sheets."""
    rows = InstallSheet.objects.filter(job__vehicle=vehicle).order_by("-signed_at", "-pk")
    found = rows.values_list(
        "job__number",
        "revision",
        "signed_at",
        "document__parts",
        "document__check_in",
        "document__readings",
    )[:MOST_SHEETS]
    standing: dict[int, Visit] = {}
    readings: list[tuple[str, datetime, list[dict[str, Any]]]] = []
    for job, revision, signed_at, parts, check_in, taken in found:
        number = sheet_number(job, revision)
        if job in standing:
            standing[job].replaced.append((number, revision))
            continue
        fitted = list(dict.fromkeys(one["product"] for one in parts or ()))
        standing[job] = Visit(
            number, job, revision, signed_at, _odometer(check_in or {}), fitted, []
        )
        readings.append((number, signed_at, taken or []))
    return Record(list(standing.values()), _trends(readings[::-1]))


def _odometer(check_in: dict[str, Any]) -> str:
    return wording.quantity(check_in.get("odometer"), check_in.get("odometer_unit", "km"))


def _trends(readings: list[tuple[str, datetime, list[dict[str, Any]]]]) -> list[Trend]:
    """Readings of the car itself (none about one device) that two visits or more have."""
    rows: dict[tuple[str, str, str], list[Read]] = defaultdict(list)
    values: dict[tuple[str, str, str], list[tuple[float, float]]] = defaultdict(list)
    for number, signed_at, taken in readings:
        for one in taken:
            if one["kind"] not in OF_THE_CAR or (
                one["before_value"] is None and one["after_value"] is None
            ):
                continue
            key = one["kind"], one["label"], one["unit"]
            said = [
                wording.quantity(one[name], one["unit"]) if one[name] is not None else ""
                for name in ("before_value", "after_value")
            ]
            rows[key].append(Read(number, signed_at, *said))
            for name, hours in (("before_value", 0), ("after_value", 8)):
                if one[name] is not None:
                    values[key].append((signed_at.timestamp() / 3600 + hours, float(one[name])))
    return [
        Trend(key[1], listed, *_drawn(values[key]))
        for key, listed in rows.items()
        if len({one.number for one in listed}) > 1
    ]


def _drawn(values: list[tuple[float, float]]) -> tuple[str, tuple[tuple[float, float], ...]]:
    """The values by hour as points of a drawing WIDTH by HEIGHT, and its two ends."""
    hours, levels = [hour for hour, _ in values], [level for _, level in values]
    over_hours, over_levels = max(hours) - min(hours), max(levels) - min(levels)
    points = [
        (
            round(EDGE + (hour - min(hours)) / (over_hours or 1) * (WIDTH - 2 * EDGE), 1),
            round(HEIGHT - EDGE - (level - min(levels)) / over_levels * (HEIGHT - 2 * EDGE), 1)
            if over_levels
            else HEIGHT / 2,
        )
        for hour, level in values
    ]
    return " ".join(f"{x:g},{y:g}" for x, y in points), (points[0], points[-1])
