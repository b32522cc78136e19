"""What the setup a job took over has to say beside the work: reasons, proof, steps. Reads only.

None of this is written into the job by itself. It stands beside what a person answers for, to be
taken with one tap.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from jobs.models import Job, Photo, SavedSetup
from jobs.plan.power import Finding
from jobs.setups.document import SetupError, plan_in, upgrade
from jobs.setups.match import Matches, match
from jobs.setups.power import run_values


@dataclass(frozen=True)
class Brought:
    """The setup a job took over last, and its document in the version that was taken."""

    setup: SavedSetup
    document: dict[str, Any]

    @property
    def sheet(self) -> str:
        """The number of the sheet the setup comes from."""
        return str(self.document["source"]["sheet"])


def brought(job: Job) -> Brought | None:
    """What the job took over last; None for a job that took none."""
    use = job.setup_uses.select_related("setup").order_by("-pk").first()
    if use is None:
        return None
    version = use.setup.versions.filter(number=use.version).first()
    if version is None:
        return None
    try:
        return Brought(use.setup, dict(upgrade(version.document)))
    except SetupError:
        return None


def fit_of(job: Job) -> dict[str, str]:
    """Source, reference, outcome and note of the first car's proof, to begin this car's with."""
    taken = brought(job)
    fit = taken.document["fit"] if taken else None
    if taken is None or fit is None:
        return {}
    note = f"As on {taken.sheet}. {fit['note']}".strip()
    return {**{name: fit[name] for name in ("source", "reference", "outcome")}, "note": note}


@dataclass
class StepHint:
    """What was said of a step on the first car, what was read there, and its photos."""

    sheet: str
    note: str = ""
    reading: str = ""
    photos: list[Photo] = field(default_factory=list)


def step_hints(job: Job) -> dict[str, StepHint]:
    """By the words of the step; steps of which nothing was said or shown are left out."""
    taken = brought(job)
    if taken is None:
        return {}
    hints: dict[str, StepHint] = {}
    for one in taken.document["step_notes"]:
        if one["note"] or one["reading"]:
            hints[one["text"]] = StepHint(taken.sheet, one["note"], one["reading"])
    shown = {one["photo"]: one["subject"] for one in taken.document["photos"] if one["photo"]}
    for photo in Photo.objects.kept().filter(pk__in=shown).select_related("job"):
        if photo.subject.startswith("step:"):
            hints.setdefault(shown[photo.pk], StepHint(taken.sheet)).photos.append(photo)
    return hints


@dataclass(frozen=True)
class Suggestion:
    """A reason to take for a caution, and where it was given."""

    reason: str
    of: str


def _names(document: dict[str, Any], matches: Matches, job: Job) -> dict[str, str]:
    """What each place of the setup's plan is called in the job."""
    names = {key: one.part.label for key, one in matches.devices.items() if one.part}
    names |= {key: one.placed.label for key, one in matches.speakers.items() if one.placed}
    names |= {
        key: place.target
        for key, place in matches.carried.placements.items()
        if place.target is not None
    }
    runs = list(job.runs.all())
    for run in plan_in(document).runs:
        values = run_values(run, matches)
        row = next(
            (
                one
                for one in runs
                if all(getattr(one, n) == values[n] for n in ("kind", "from_node", "to_node"))
            ),
            None,
        )
        if row is not None:
            names[run.id] = row.label
    return names


def _of_setup(job: Job) -> dict[str, Suggestion]:
    taken = brought(job)
    if taken is None or not taken.document["reasons"]:
        return {}
    try:
        plan = plan_in(taken.document)
    except SetupError:
        return {}
    names = _names(taken.document, match(taken.document, plan, job), job)
    return {
        f"{one['rule']}@{','.join(names.get(place, place) for place in one['where'])}": Suggestion(
            one["reason"], taken.sheet
        )
        for one in taken.document["reasons"]
    }


def suggested_reasons(job: Job, findings: Iterable[Finding]) -> dict[str, Suggestion]:
    """For each caution without a reason: the one given on the first car for the same places, else
    the newest given in this job for another caution of the same rule. By fingerprint."""
    given = {row.fingerprint: row for row in job.finding_reasons.order_by("at", "pk")}
    cautions = [one for one in findings if one.severity == "caution"]
    open_ones = [one for one in cautions if one.fingerprint not in given]
    if not open_ones:
        return {}
    of_setup = _of_setup(job)
    alike = {
        fingerprint.partition("@")[0]: Suggestion(row.reason, "another of its kind")
        for fingerprint, row in given.items()
    }
    suggestions = {}
    for one in open_ones:
        found = of_setup.get(one.fingerprint) or alike.get(one.rule)
        if found is not None:
            suggestions[one.fingerprint] = found
    return suggestions
