"""Step lists, photos and clocks of the demo shop, made through the services the tablet uses."""

import io
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from PIL import Image, ImageDraw

from deploy.demo.schedule import DemoJob
from jobs.lifecycle import Stage
from jobs.models import ClockEnd, Job, JobStep, StepOutcome, WorkKind
from jobs.services import clock, photos, step_lists, steps
from shop.models import StaffMember

if TYPE_CHECKING:
    from deploy.demo.loader import Loader

KINDS: Final = {
    "full_case": "Full system",
    "lost_chime": "Full system",
    "five_faults": "Full system",
    "comeback": "Comeback",
    "electric_in": "Amplifier on factory system",
}
SKIPPED: Final = {"Drill and cut": "Not on this car: a free factory grommet was there"}
EARLY: Final = {"Label every wire": "Done together with the factory plug, before the boot closed"}
READINGS: Final = {"mΩ": 3.5, "V": 13.6}
_SIZE: Final = (960, 720)
_COLOURS: Final = ("#5c6b66", "#8a6f4d", "#4d5f7a", "#7a5a52", "#64724f")


def usual() -> None:
    """The usual step lists."""
    step_lists.start_with_usual(None)


def choose(job: Job, one: DemoJob, actor: StaffMember) -> None:
    """Say what kind of work a demo job is, where the demo says so."""
    if one.key in KINDS:
        steps.set_work_kind(job.pk, WorkKind.objects.get(name=KINDS[one.key]), actor)


def _picture(number: int) -> bytes:
    """A plain stand-in for a photo: a panel, a cable and a fixing."""
    image = Image.new("RGB", _SIZE, _COLOURS[number % len(_COLOURS)])
    draw = ImageDraw.Draw(image)
    draw.rounded_rectangle((90, 80, 870, 640), 40, fill="#c9c2b2", outline="#2b2b28", width=8)
    turn = 40 * (number % 7)
    draw.line(
        [(0, 560 - turn), (300, 420), (560, 300 + turn), (960, 260)], fill="#a3271f", width=26
    )
    draw.ellipse((520, 250 + turn, 620, 350 + turn), fill="#3a3a36", outline="#e3d9c3", width=8)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


class _Bench:
    """One job's steps worked through by one technician."""

    def __init__(self, job: Job, by: StaffMember) -> None:
        self.job = job
        self.by = by

    def _photograph(self, step: JobStep) -> None:
        data = _picture(step.pk)
        photos.add_photo(
            self.job.number,
            io.BytesIO(data),
            len(data),
            subject=step.photo_subject,
            key=f"demo-step-{step.pk:08d}",
            actor=self.by,
        )

    def tick(self, step: JobStep) -> None:
        """Do one step as the demo does it. Raises StepRefused where the plan forbids it."""
        changes: dict[str, Any] = {"outcome": StepOutcome.DONE}
        skipped = next((why for begin, why in SKIPPED.items() if step.text.startswith(begin)), "")
        if skipped:
            changes = {"outcome": StepOutcome.SKIPPED, "reason": skipped}
        elif step.photo_required:
            self._photograph(step)
        if step.reading_label and not skipped:
            changes["reading_value"] = READINGS[step.reading_unit]
        early = next((why for begin, why in EARLY.items() if step.text.startswith(begin)), "")
        if early and steps.waiting_before(step):
            changes["reason"] = early
        steps.record_step(self.job.number, step.pk, changes, actor=self.by, version=step.version)


def _in_order(listed: list[JobStep], finished: bool) -> list[JobStep]:
    """The order of the day: on a finished job the labels came one step early."""
    for place, step in enumerate(listed):
        if finished and place and any(step.text.startswith(begin) for begin in EARLY):
            listed.insert(place - 1, listed.pop(place))
            break
    return listed


def work_through(
    loader: "Loader", job: Job, one: DemoJob, by: StaffMember, starts: datetime, ends: datetime
) -> None:
    """Tick the steps and keep the time: all of them on a finished job, else as far as it goes."""
    span = ends - starts
    bench = _Bench(job, by)
    listed = _in_order(list(job.steps.all()), one.finished)
    last = min(starts + span * 0.97, loader.now)
    for place, step in enumerate(listed):
        with loader.at(last - timedelta(minutes=2) * (len(listed) - place)):
            step.refresh_from_db()
            try:
                bench.tick(step)
            except steps.StepRefused:
                if one.finished:
                    raise
                break
    if one.finished:
        _keep_time(loader, job, by, starts + timedelta(minutes=6), starts + span / 2)
        _keep_time(loader, job, by, starts + span / 2 + timedelta(minutes=35), ends)
    elif one.stage == Stage.IN_BAY:
        _run(loader, job, by, starts)


def _keep_time(
    loader: "Loader", job: Job, by: StaffMember, begins: datetime, ends: datetime
) -> None:
    with loader.at(begins):
        clock.start(job.number, by)
    with loader.at(ends - timedelta(minutes=12)):
        clock.end(job.number, by, ClockEnd.STOPPED)


def _run(loader: "Loader", job: Job, by: StaffMember, starts: datetime) -> None:
    """A clock that runs now; yesterday's stretch before it where the work began then."""
    if starts.date() < loader.now.date():
        _keep_time(loader, job, by, starts + timedelta(minutes=10), starts + timedelta(hours=2))
    with loader.at(max(starts, loader.now - timedelta(minutes=95)), 10):
        clock.start(job.number, by)
