"""The manager's numbers: what was done, how it fitted the promises, what came back and why.

Every figure carries the keys of the jobs it counts, so that it opens to them. A job counts in the
week in which its first sheet was signed, by the shop's own time; a comeback in that in which it
was booked. Weeks begin on Monday (ISO 8601, 2019, 3.1.1.23).
"""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from django.db.models.fields.json import KeyTransform
from django.utils.translation import gettext

from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job, SendBack, SetupUse, TimeEntry
from jobs.symbols import with_symbols
from shop import branches, wording
from shop.hours import Calendar
from shop.models import Shop

FEW: Final = 8
"""Of fewer jobs than this a share says little. Common practice, no source."""

MOST: Final = 10
"""Lines of a list of the most frequent."""

SPANS: Final = (13, 26, 52)
"""How many weeks are shown."""


@dataclass(frozen=True)
class Figure:
    """How many jobs of how many. `of` is None where it is a share of nothing."""

    key: str
    label: str
    jobs: tuple[int, ...]
    of: int | None = None
    code: str = ""

    @property
    def count(self) -> int:
        return len(self.jobs)

    @property
    def share(self) -> float | None:
        """From 0 to 1; None of nothing."""
        return self.count / self.of if self.of else None

    @property
    def small(self) -> bool:
        """There are too few jobs for the share to say much."""
        return self.of is not None and self.of < FEW


@dataclass
class Week:
    """What was signed in one week. Hours are those of people; booked ones lie in opening hours."""

    first_day: date
    jobs: list[int] = field(default_factory=list)
    on_time: list[int] = field(default_factory=list)
    worked_h: float = 0.0
    booked_h: float = 0.0

    @property
    def key(self) -> str:
        return f"week-{self.first_day.isoformat()}"

    @property
    def late(self) -> int:
        return len(self.jobs) - len(self.on_time)


@dataclass
class Numbers:
    """Everything the page shows of a stretch of weeks."""

    first_day: date
    last_day: date
    weeks: list[Week]
    done: Figure
    on_time: Figure
    late: Figure
    from_setup: Figure
    sent_back: Figure
    came_back: Figure
    came_back_by_model: list[Figure]
    causes: list[Figure]
    findings: list[Figure]
    points: list[Figure]

    @property
    def worked_h(self) -> float:
        return sum(week.worked_h for week in self.weeks)

    @property
    def booked_h(self) -> float:
        return sum(week.booked_h for week in self.weeks)

    @property
    def singles(self) -> tuple[Figure, ...]:
        """The figures of all weeks together, in the order they are shown."""
        return (
            *(self.done, self.on_time, self.late),
            *(self.came_back, self.from_setup, self.sent_back),
        )

    @property
    def figures(self) -> dict[str, Figure]:
        """Every figure by its key."""
        listed = (self.came_back_by_model, self.causes, self.findings, self.points)
        weeks = [
            Figure(
                week.key,
                gettext("Week of %(day)s") % {"day": wording.day(week.first_day)},
                tuple(week.jobs),
            )
            for week in self.weeks
        ]
        every = [*self.singles, *weeks, *(one for group in listed for one in group)]
        return {one.key: one for one in every}


def monday_of(day: date) -> date:
    """The first day of the week of a day."""
    return day - timedelta(days=day.weekday())


@dataclass(frozen=True)
class _Done:
    """A job whose first sheet was signed in the stretch."""

    job: Job
    signed_at: datetime
    findings: list[Mapping[str, Any]]


def _done(begins: datetime, ends: datetime) -> list[_Done]:
    sheets = (
        InstallSheet.objects.filter(
            branches.shown("job__bay__branch"),
            revision=1,
            signed_at__gte=begins,
            signed_at__lt=ends,
        )
        .select_related("job__vehicle__vehicle_model")
        .defer("document", "pdf", "correction_reason")
        .annotate(found=KeyTransform("findings", "document"))
        .order_by("signed_at", "pk")
    )
    return [_Done(sheet.job, sheet.signed_at, sheet.found or []) for sheet in sheets]


def open_hours(starts_at: datetime, ends_at: datetime, calendar: Calendar) -> float:
    """The hours of a slot during which the shop is open; all of them where it has not said."""
    if not calendar.said:
        return (ends_at - starts_at).total_seconds() / 3600
    zone = calendar.shop.zone
    day, last = starts_at.astimezone(zone).date(), ends_at.astimezone(zone).date()
    seconds = 0.0
    while day <= last:
        hours = calendar.on(day)
        if not hours.closed:
            begins, ends = max(starts_at, hours.opens_at), min(ends_at, hours.closes_at)
            seconds += max((ends - begins).total_seconds(), 0.0)
        day += timedelta(days=1)
    return seconds / 3600


def _worked_h(keys: Iterable[int]) -> dict[int, float]:
    worked: dict[int, float] = defaultdict(float)
    entries = TimeEntry.objects.filter(job_id__in=list(keys), ended_at__isnull=False)
    for job_id, begins, ends in entries.values_list("job_id", "started_at", "ended_at"):
        if ends is not None:
            worked[job_id] += (ends - begins).total_seconds() / 3600
    return worked


def _weeks(listed: list[_Done], first: date, count: int, shop: Shop) -> list[Week]:
    weeks = {day: Week(day) for day in (first + timedelta(weeks=place) for place in range(count))}
    worked = _worked_h(one.job.pk for one in listed)
    slots = [
        at.astimezone(shop.zone).date()
        for one in listed
        for at in (one.job.starts_at, one.job.ends_at)
    ]
    calendar = Calendar(min(slots, default=first), max(slots, default=first))
    for one in listed:
        week = weeks[monday_of(one.signed_at.astimezone(shop.zone).date())]
        week.jobs.append(one.job.pk)
        if one.signed_at <= one.job.promised_at:
            week.on_time.append(one.job.pk)
        week.worked_h += worked.get(one.job.pk, 0.0)
        week.booked_h += open_hours(one.job.starts_at, one.job.ends_at, calendar)
    return list(weeks.values())


def _by_model(listed: list[_Done], came_back: set[int]) -> list[Figure]:
    """Of the jobs done on each model, those that came back; the most first."""
    names: dict[int, str] = {}
    done: dict[int, list[int]] = defaultdict(list)
    for one in listed:
        model = one.job.vehicle.vehicle_model
        names[model.pk] = str(model)
        done[model.pk].append(one.job.pk)
    figures = [
        Figure(
            f"model-{pk}",
            names[pk],
            tuple(key for key in keys if key in came_back),
            len(keys),
        )
        for pk, keys in done.items()
    ]
    listed_figures = [one for one in figures if one.count]
    return sorted(listed_figures, key=lambda one: (-one.count, one.of or 0, one.label))[:MOST]


def _causes(begins: datetime, ends: datetime) -> list[Figure]:
    """The comebacks booked in the stretch by what was found to be their cause."""
    jobs = (
        Job.objects.looked_at()
        .filter(comeback_of__isnull=False, booked_at__gte=begins, booked_at__lt=ends)
        .exclude(stage=Stage.CANCELLED)
        .order_by("pk")
        .values_list("pk", "comeback__cause_id", "comeback__cause__name")
    )
    names: dict[int, str] = {}
    found: dict[int, list[int]] = defaultdict(list)
    for key, cause, name in jobs:
        found[cause or 0].append(key)
        names[cause or 0] = name or gettext("Nobody has said yet")
    of = sum(len(keys) for keys in found.values())
    figures = [Figure(f"cause-{pk}", names[pk], tuple(keys), of) for pk, keys in found.items()]
    return sorted(figures, key=lambda one: (-one.count, one.label))


def _most(
    jobs: Mapping[str, set[int]], labels: Mapping[str, Counter[str]], prefix: str, of: int
) -> list[Figure]:
    figures = [
        Figure(
            f"{prefix}-{hashlib.sha256(what.encode()).hexdigest()[:12]}",
            labels[what].most_common(1)[0][0],
            tuple(sorted(keys)),
            of,
            what if prefix == "finding" else "",
        )
        for what, keys in jobs.items()
    ]
    return sorted(figures, key=lambda one: (-one.count, one.label))[:MOST]


def _findings(listed: list[_Done]) -> list[Figure]:
    """On how many sheets each rule had something to say; notes are left out."""
    jobs: dict[str, set[int]] = defaultdict(set)
    titles: dict[str, Counter[str]] = defaultdict(Counter)
    for one in listed:
        for finding in one.findings:
            if finding.get("severity") in {"stop", "caution"}:
                jobs[finding["rule"]].add(one.job.pk)
                titles[finding["rule"]][with_symbols(finding["title"])] += 1
    return _most(jobs, titles, "finding", len(listed))


def _send_backs(begins: datetime, ends: datetime, of: int) -> tuple[tuple[int, ...], list[Figure]]:
    """The jobs sent back in the stretch, and for what most often: a point made from a finding
    counts under its rule, one that was typed under its words."""
    rows = SendBack.objects.filter(
        branches.shown("job__bay__branch"), at__gte=begins, at__lt=ends
    ).order_by("pk")
    jobs: dict[str, set[int]] = defaultdict(set)
    words: dict[str, Counter[str]] = defaultdict(Counter)
    for key, reason, fingerprint in rows.values_list("job_id", "reason", "fingerprint"):
        rule = fingerprint.partition("@")[0]
        what = rule or " ".join(reason.casefold().split()).rstrip(".")
        jobs[what].add(key)
        words[what][reason.partition(" (")[0] if rule else reason] += 1
    every = tuple(sorted({key for keys in jobs.values() for key in keys}))
    return every, _most(jobs, words, "point", len(every) or of)


def numbers(shop: Shop, until: date, weeks: int) -> Numbers:
    """The numbers of so many weeks, the last of them that of the day `until`; the same few
    queries however many jobs there were."""
    last = monday_of(until)
    first = last - timedelta(weeks=weeks - 1)
    begins = datetime.combine(first, time(), shop.zone)
    ends = datetime.combine(last + timedelta(weeks=1), time(), shop.zone)
    listed = _done(begins, ends)
    keys = tuple(one.job.pk for one in listed)
    count = len(keys)
    by_week = _weeks(listed, first, weeks, shop)
    on_time = tuple(key for week in by_week for key in week.on_time)
    kept_promises, signed = set(on_time), set(keys)
    late = tuple(key for key in keys if key not in kept_promises)
    with_setup = set(SetupUse.objects.filter(job__in=keys).values_list("job_id", flat=True))
    came_back = set(
        Job.objects.filter(comeback_of__in=keys)
        .exclude(stage=Stage.CANCELLED)
        .values_list("comeback_of_id", flat=True)
    )
    sent_back, points = _send_backs(begins, ends, count)
    return Numbers(
        first_day=first,
        last_day=last + timedelta(days=6),
        weeks=by_week,
        done=Figure("done", "Jobs signed", keys),
        on_time=Figure("on-time", "Signed by the time promised", on_time, count),
        late=Figure("late", "Signed later than promised", late, count),
        from_setup=Figure(
            "setup",
            "Started from a saved setup",
            tuple(key for key in keys if key in with_setup),
            count,
        ),
        sent_back=Figure(
            "sent-back",
            "Sent back from review",
            tuple(key for key in sent_back if key in signed),
            count,
        ),
        came_back=Figure(
            "came-back", "Came back since", tuple(key for key in keys if key in came_back), count
        ),
        came_back_by_model=_by_model(listed, came_back),
        causes=_causes(begins, ends),
        findings=_findings(listed),
        points=points,
    )
