"""The steps of a job: laid out from the list of its kind of work, then done or not needed."""

from collections import Counter
from collections.abc import Iterable
from typing import Any, Final

from django.db import transaction
from django.db.models import F, Max
from django.utils import timezone
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.lifecycle import BEFORE_REVIEW
from jobs.models import Job, JobStep, StepOutcome, WorkKind
from jobs.models.steps import StepWords
from jobs.services import ask_once
from jobs.services.entry_step import add_entry_step
from jobs.services.events import done_before, log
from jobs.services.gates import MOST_NAMED, GateFacts
from jobs.services.saving import Saved, open_job, write_row
from shop.kept_words import told
from shop.models import StaffMember
from shop.services.events import subject_of

WORDS: Final = tuple(field.name for field in StepWords._meta.get_fields() if field.name != "order")


class StepRefused(Refused):
    """A step was not ticked; `fields` says what is wrong at which control of the row."""

    def __init__(self, fields: dict[str, list[str]]) -> None:
        super().__init__(*(reason for reasons in fields.values() for reason in reasons))
        self.fields = fields


def photo_counts(job: Job) -> dict[str, int]:
    """How many photos each subject of the job has."""
    return Counter(job.photos.filter(removed_at=None).values_list("subject", flat=True))


def copy_words(steps: Iterable[StepWords]) -> list[dict[str, Any]]:
    """What each step asks for, to make other steps of."""
    return [{name: getattr(step, name) for name in WORDS} for step in steps]


def lay_out(job: Job) -> None:
    """Give a job the steps of its kind of work. Steps that hold an entry or a photo stay, first.

    A step that stayed is not given a second time. Call inside a transaction.
    """
    photos = photo_counts(job)
    untouched = job.steps.filter(outcome=StepOutcome.TO_DO, reading_value=None, reason="")
    without = [step.pk for step in untouched if not photos.get(step.photo_subject)]
    job.steps.filter(pk__in=without).delete()
    kept = list(job.steps.all())
    texts = {step.text for step in kept}
    wanted = copy_words(job.work_kind.steps.all()) if job.work_kind else []
    first = max((step.order for step in kept), default=0) + 1
    new = [words for words in wanted if words["text"] not in texts]
    JobStep.objects.bulk_create(
        JobStep(job=job, order=order, **words) for order, words in enumerate(new, first)
    )
    if wanted and any(part.product.has_limits for part in job.parts.select_related("product")):
        add_entry_step(job)


@transaction.atomic
def set_work_kind(job_id: int, kind: WorkKind | None, actor: StaffMember, key: str = "") -> Job:
    """Say what kind of work a job is, and lay out its steps. Raises Refused in a late stage."""
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    if job.stage not in BEFORE_REVIEW:
        raise Refused(
            gettext("%(job)s is %(stage)s: its steps are settled.")
            % {"job": job, "stage": job.get_stage_display().lower()}
        )
    old = job.work_kind
    if old == kind or done_before(key):
        return job
    job.work_kind = kind
    job.version += 1
    Job.objects.filter(pk=job.pk).update(work_kind=kind, version=F("version") + 1)
    lay_out(job)
    log(
        job,
        actor,
        "job.changed",
        before={"work_kind": str(old) if old else None},
        after={"work_kind": str(kind) if kind else None},
        key=key,
    )
    return job


@transaction.atomic
def add_step(number: int, text: str, actor: StaffMember, key: str = "") -> JobStep | None:
    """Add a step to this job alone, as its last; None when this key was already saved."""
    job = open_job(number)
    text = text.strip()
    if done_before(key):
        return None
    if not text:
        raise Refused(gettext("Write what is to be done."))
    last = job.steps.aggregate(last=Max("order"))["last"] or 0
    step = JobStep.objects.create(job=job, order=last + 1, text=text[:200])
    log(job, actor, "jobstep.added", subject=subject_of(step), after={"text": step.text}, key=key)
    return step


def waiting_before(step: JobStep) -> list[JobStep]:
    """Earlier steps that are neither done nor marked as not needed."""
    steps = list(step.job.steps.all())
    place = next(index for index, one in enumerate(steps) if one.pk == step.pk)
    return [one for one in steps[:place] if one.outcome == StepOutcome.TO_DO]


def _missing(step: JobStep, values: dict[str, Any], early: list[JobStep]) -> dict[str, list[str]]:
    """What keeps the step from the outcome in `values`, by control of its row."""
    missing: dict[str, list[str]] = {}
    if values["outcome"] == StepOutcome.SKIPPED:
        if not values["reason"]:
            missing["reason"] = ["Say why this step is not needed."]
        return missing
    if against := GateFacts(step.job).against(step.gate):
        missing["gate"] = against
    if step.photo_required and not photo_counts(step.job).get(step.photo_subject):
        missing["photo"] = ["Take the photo first."]
    if step.reading_label and values["reading_value"] is None:
        missing["reading_value"] = [f"Enter the reading first: {step.reading_label}."]
    if early and not values["reason"]:
        waiting = wording.listed((f"“{one}”" for one in early), MOST_NAMED)
        missing["reason"] = [f"Out of order: {waiting} not done yet. Say why this comes first."]
    return missing


@transaction.atomic
def record_step(
    number: int,
    pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
    force: bool = False,
) -> Saved:
    """Save outcome, reading or reason of a step.

    Raises StepRefused when the step may not be ticked: its gate is shut, its photo or reading is
    missing, or it comes before earlier steps and no reason is given.
    """
    job = open_job(number)
    step = JobStep.objects.get(pk=pk, job=job)
    step.job = job
    if done_before(key):
        return Saved(step)
    changes = dict(changes)
    values = {
        name: changes.get(name, getattr(step, name))
        for name in ("outcome", "reason", "reading_value")
    }
    stamp: dict[str, Any] = {}
    code = "step.changed"
    if values["outcome"] != step.outcome:
        early: list[JobStep] = []
        if values["outcome"]:
            early = waiting_before(step)
            if missing := _missing(step, values, early):
                raise StepRefused(missing)
        else:
            changes["reason"] = changes.get("reason", "")
        code = {"": "step.undone", "done": "step.done", "skipped": "step.skipped"}[
            values["outcome"]
        ]
        stamp = {
            "by_itself": False,
            "outcome_by": actor if values["outcome"] else None,
            "outcome_at": timezone.now() if values["outcome"] else None,
            "out_of_order": bool(early) and values["outcome"] == StepOutcome.DONE,
        }
    elif step.outcome and not values["reason"] and (step.out_of_order or step.outcome == "skipped"):
        raise StepRefused({"reason": ["The reason stays with this step: write another one."]})
    elif step.outcome == "done" and step.reading_label and values["reading_value"] is None:
        raise StepRefused({"reading_value": ["Undo the step before you take its reading away."]})
    saved = write_row(
        JobStep,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code=code,
        stamp=stamp,
        force=force,
    )
    if saved.changed and "reading_value" in changes and step.reading_kind:
        ask_once.step_read(job, saved.row, actor)
    return saved


def steps_missing(job: Job) -> list[str]:
    """What the step list still asks for, one sentence; empty for a job without steps."""
    waiting = [f"“{told(str(step))}”" for step in job.steps.filter(outcome=StepOutcome.TO_DO)]
    if not waiting:
        return []
    said = gettext("Steps not done: %(steps)s. Do them or say why they are not needed.")
    return [said % {"steps": wording.listed(waiting, MOST_NAMED)}]
