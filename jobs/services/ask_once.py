"""What is entered once and stands in each other place that asks for it.

A reading after the work is also what a step of the same kind reads; a step that needs no more
than an entry made elsewhere is ticked by that entry.
"""

from collections import Counter
from collections.abc import Collection
from functools import cache
from typing import Any, Final

from django.db.models import Max
from django.utils import timezone

from jobs.models import Gate, Job, JobEvent, JobStep, Reading, ReadingKind, StepOutcome
from jobs.services.gates import GateFacts
from jobs.services.saving import save_row
from shop.models import StaffMember
from shop.prepared import PreparedObjects
from shop.services.events import subject_of
from wiring.plan import Plan


def step_read(job: Job, step: JobStep, actor: StaffMember) -> None:
    """What was read at a step is the job's reading of that kind, where it has just one."""
    rows = list(job.readings.filter(kind=step.reading_kind)[:2])
    if len(rows) != 1 or rows[0].after_value == step.reading_value:
        return
    taken = step.reading_value is not None
    _save(
        Reading,
        rows[0],
        {"after_value": step.reading_value},
        job,
        actor,
        code="reading.taken",
        stamp={
            "after_by": actor if taken else None,
            "after_at": timezone.now() if taken else None,
        },
    )
    rows[0].refresh_from_db()
    output_read(job, rows[0], actor)
    steps_met(job, actor)


def reading_taken(job: Job, reading: Reading, actor: StaffMember) -> None:
    """A reading after the work stands at each step that reads the same.

    Where the job has several of a kind, the step has the lowest, once all are taken: it is a
    voltage that must not be too low.
    """
    steps = [
        step
        for step in job.steps.filter(reading_kind=reading.kind).exclude(reading_label="")
        if step.reading_unit == reading.unit
    ]
    if not steps:
        return
    values = list(job.readings.filter(kind=reading.kind).values_list("after_value", flat=True))
    known = [value for value in values if value is not None]
    lowest = min(known) if len(known) == len(values) else None
    for step in steps:
        if step.reading_value != lowest and not (lowest is None and _by_hand(step)):
            _save(JobStep, step, {"reading_value": lowest}, job, actor, code="step.changed")


def output_read(job: Job, reading: Reading, actor: StaffMember) -> None:
    """An output read in the level guide stands at its device among the readings after the work,
    and the other way round.

    A device has the highest of its channels. What is read of a device is its channel's where just
    one of its channels feeds speakers. Call with the job locked, after `reading` is saved.
    """
    if reading.kind != ReadingKind.OUTPUT or not reading.about:
        return
    if reading.of_whole_device:
        _channel_follows(job, reading, actor)
    else:
        _device_follows(job, reading, actor)


def _device_follows(job: Job, reading: Reading, actor: StaffMember) -> None:
    label = reading.about.partition(".")[0]
    outputs = job.readings.filter(kind=ReadingKind.OUTPUT)
    device = outputs.filter(about=label).first()
    if device is None:
        return
    read = outputs.filter(about__startswith=f"{label}.").exclude(after_value=None)
    highest = read.order_by("-after_value", "pk").first()
    if highest is None and device.after_value != _stood(reading):
        return
    _save_after(job, device, highest, actor)


def _channel_follows(job: Job, reading: Reading, actor: StaffMember) -> None:
    used = job.channels.filter(part__label=reading.about, kind="amplifier", speakers__isnull=False)
    channels = list(used.select_related("part").distinct()[:2])
    if len(channels) != 1:
        return
    about = channels[0].plan_id
    row = job.readings.filter(kind=ReadingKind.OUTPUT, about=about).first()
    if row is None:
        if reading.after_value is None:
            return
        row = Reading.objects.create(
            job=job,
            kind=ReadingKind.OUTPUT,
            about=about,
            label=output_label(about),
            unit=reading.unit,
            order=(job.readings.aggregate(last=Max("order"))["last"] or 0) + 1,
            wanted_before=False,
        )
    _save_after(job, row, reading if reading.after_value is not None else None, actor)


def _stood(reading: Reading) -> float | None:
    """What a reading was before its value was taken away."""
    about = JobEvent.objects.filter(job=reading.job_id, subject=subject_of(reading))
    event = about.filter(code="reading.taken").first()
    value = event.before.get("after_value") if event else None
    return value if isinstance(value, float | int) else None


def _save_after(job: Job, row: Reading, source: Reading | None, actor: StaffMember) -> None:
    """Give a reading the value, meter, person and time of another; without one, none."""
    value = source.after_value if source else None
    if row.after_value == value:
        return
    _save(
        Reading,
        row,
        {"after_value": value},
        job,
        actor,
        code="reading.taken",
        stamp={
            "after_instrument": source.after_instrument if source else row.after_instrument,
            "after_by": actor if source else None,
            "after_at": timezone.now() if source else None,
        },
    )


def output_label(channel_id: str) -> str:
    """What the output of a channel is called among the readings."""
    return f"Output of {channel_id} at the test tone"


def _by_hand(step: JobStep) -> bool:
    """A person ticked it on its reading, which is not taken away behind their back."""
    return step.outcome == StepOutcome.DONE and not step.by_itself


OF_CHANNELS: Final = (Gate.LOADS, Gate.CHANNEL_PLAN, Gate.POWER_PLAN)
"""What a row of the channel plan can turn; what was tried and read on the car it cannot."""

OF_ENTRIES: Final = (Gate.ENTERED, Gate.CHANNEL_PLAN)
"""What a line typed into a program and read back can turn."""


@cache
def _waiting(gates: frozenset[Gate]) -> PreparedObjects[JobStep]:
    """Steps of a job that tick themselves; those with these gates alone, where there are any."""
    steps = JobStep.objects.filter(ticks_itself=True)
    if gates:
        steps = steps.filter(gate__in=sorted(gates))
    return PreparedObjects(lambda job: steps.filter(job=job))


def steps_met(
    job: Job, actor: StaffMember, gates: Collection[Gate] = (), plan: Plan | None = None
) -> None:
    """Tick each step that ticks itself and whose condition is met; take such a tick back where
    it no longer is. Call with the job locked. `gates`: those alone can have turned; `plan`: as it
    was read since the job was locked."""
    waiting = _waiting(frozenset(gates))(job.pk)
    steps = [step for step in waiting if step.outcome == StepOutcome.TO_DO or step.by_itself]
    if not steps:
        return
    facts = GateFacts(job, plan=plan)
    photos: Counter[str] | None = None
    for step in steps:
        met = not (step.reading_label and step.reading_value is None)
        if met and step.photo_required:
            if photos is None:
                photos = Counter(job.photos.kept().values_list("subject", flat=True))
            met = bool(photos[step.photo_subject])
        met = met and not facts.against(step.gate)
        if met == step.by_itself:
            continue
        _save(
            JobStep,
            step,
            {"outcome": StepOutcome.DONE.value if met else ""},
            job,
            actor,
            code="step.done" if met else "step.undone",
            stamp={
                "by_itself": met,
                "out_of_order": False,
                "outcome_by": actor if met else None,
                "outcome_at": timezone.now() if met else None,
            },
        )


def _save(
    model: type[Any], row: Any, changes: dict[str, Any], job: Job, actor: StaffMember, **more: Any
) -> None:
    save_row(
        model,
        row.pk,
        changes,
        number=job.number,
        actor=actor,
        version=row.version,
        opens=lambda _: job,
        **more,
    )
