"""The power plan: what is known of the supply, and every length of cable with its fuse."""

from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, JobEvent, PowerRun, SupplyFacts
from jobs.services.events import done_before, log
from jobs.services.next_label import next_label
from jobs.services.parts import put_in
from jobs.services.removal import facts_in, put_back, take_out
from jobs.services.saving import cells_of, open_job, put_cells_back, save_row
from shop.models import Product, StaffMember
from shop.services.events import subject_of

RUN_FACTS: Final = facts_in(PowerRun, "job", "label")
MOST_RUNS: Final = 40


save_supply: Final = cells_of(SupplyFacts, "supply.changed")
"""Save what is known of battery and alternator."""


save_run: Final = cells_of(PowerRun, "run.changed")
"""Save cells of one run."""


@transaction.atomic
def take_proposal(
    number: int, pk: int, changes: dict[str, Any], *, actor: StaffMember, key: str = ""
) -> JobEvent | None:
    """Put a proposed cable and fuse in a run; the event undoes it, None when nothing changed."""
    run = open_job(number).runs.get(pk=pk)
    save_row(
        PowerRun,
        pk,
        changes,
        number=number,
        actor=actor,
        version=run.version,
        key=key,
        code="run.proposed",
    )
    proposals = JobEvent.objects.filter(
        job=run.job_id, code="run.proposed", subject=subject_of(run)
    )
    return proposals.filter(key=key).first() if key else proposals.first()


@transaction.atomic
def add_supply_part(number: int, product: Product, *, actor: StaffMember, key: str = "") -> None:
    """Put one battery, capacitor, isolator or converter in the job; a repeat of the key adds
    none. Raises Refused."""
    job = open_job(number)
    if not done_before(key):
        put_in(job, product, 1, actor, key)


def _check_room(job: Job) -> None:
    if job.runs.count() >= MOST_RUNS:
        raise Refused(gettext("A plan holds at most %(most)s runs.") % {"most": MOST_RUNS})


def _log_added(run: PowerRun, actor: StaffMember, key: str = "") -> JobEvent:
    return log(
        run.job_id,
        actor,
        "run.added",
        subject=subject_of(run),
        after={"label": run.label, **{name: getattr(run, name) for name in RUN_FACTS}},
        key=key,
    )


def _create(job: Job, actor: StaffMember, facts: dict[str, Any], key: str = "") -> JobEvent:
    _check_room(job)
    run = PowerRun.objects.create(job=job, **{"label": next_label(job.runs, "R"), **facts})
    return _log_added(run, actor, key)


@transaction.atomic
def add_run(number: int, facts: dict[str, Any], *, actor: StaffMember, key: str = "") -> JobEvent:
    """Add a run; a repeat of the key adds none. Returns the event that undoes it."""
    job = open_job(number)
    if done := done_before(key):
        return done
    return _create(job, actor, dict(facts), key)


@transaction.atomic
def copy_run(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Add a run with the same facts as another one."""
    job = open_job(number)
    if done := done_before(key):
        return done
    run = job.runs.get(pk=pk)
    return _create(job, actor, {name: getattr(run, name) for name in RUN_FACTS}, key)


@transaction.atomic
def remove_run(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Take a run out of the plan; the event undoes it."""
    job = open_job(number)
    if done := done_before(key):
        return done
    run = job.runs.get(pk=pk)
    return log(
        job,
        actor,
        "run.removed",
        subject=subject_of(run),
        before={"label": run.label, **take_out(run)},
        key=key,
    )


def undo_add(event: JobEvent, actor: StaffMember) -> None:
    """Take away the run an event put in."""
    _, pk = event.about
    if event.job.runs.filter(pk=pk).exists():
        remove_run(event.job.number, pk, actor=actor)


def undo_remove(event: JobEvent, actor: StaffMember) -> None:
    """Put back the run an event took away, with all it had."""
    job = event.job
    _check_room(job)
    label = event.before["label"]
    if job.runs.filter(label=label).exists():
        label = next_label(job.runs, "R")
    run = put_back(event.before, label=label)
    assert isinstance(run, PowerRun)
    _log_added(run, actor)


def undo_proposal(event: JobEvent, actor: StaffMember) -> None:
    """Put back what a run had before a proposal, save what somebody changed since."""
    put_cells_back(PowerRun, "run.changed", event, actor)
