"""The one way a row of the bay sheet is saved.

A save names the fields it changes, the version of the row it was made on, and a key made by the
client. A repeat of a key changes nothing. A row changed meanwhile is merged field by field: only
a field that both changed to different values is a clash, and then nothing is written and both
values are shown.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db import models, transaction
from django.db.models import Exists

from jobs.models import Job, JobEvent
from jobs.services.errors import Refused
from jobs.services.events import log
from shop.models import StaffMember


@dataclass(frozen=True)
class FieldClash:
    """One field two people changed: what I sent, what stands, who wrote it and when."""

    field: str
    mine: Any
    theirs: Any
    actor: str
    at: datetime | None


@dataclass
class Saved:
    """What became of a save. `row` is fresh from the database in every case.

    `job` is the job as it was locked for the save, its supply loaded, where a row was looked at.
    """

    row: Any
    changed: bool = False
    repeated: bool = False
    clashes: list[FieldClash] = field(default_factory=list)
    job: Job | None = None


def open_job(number: int) -> Job:
    """The job, if its sheet takes entries; Refused otherwise. Call inside a transaction."""
    jobs = Job.objects.select_related("supply").select_for_update(of=("self",))
    job = jobs.get(number=number)
    if not job.sheet_is_open:
        raise Refused(
            f"This sheet is closed: the job is {job.get_stage_display().lower()}. "
            "Ask a manager to send it back or to open a correction."
        )
    return job


def subject_of(row: models.Model) -> str:
    """How the event log names a row: channel:12."""
    return f"{row._meta.model_name}:{row.pk}"


def as_json(value: Any) -> Any:
    """A field's value as a JSON type: a row by its key, a set of rows by sorted keys."""
    if isinstance(value, models.Model):
        return value.pk
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, models.QuerySet):
        return sorted(value.values_list("pk", flat=True))
    if isinstance(value, list) and value and isinstance(value[0], models.Model):
        return sorted(one.pk for one in value)
    return value


def _is_many(row: models.Model, name: str) -> bool:
    return bool(row._meta.get_field(name).many_to_many)


def _current(row: models.Model, name: str) -> Any:
    if _is_many(row, name):
        return sorted(getattr(row, name).values_list("pk", flat=True))
    model_field = row._meta.get_field(name)
    return as_json(getattr(row, getattr(model_field, "attname", name)))


def _clashes(row: Any, changes: dict[str, Any], version: int, job: Job) -> list[FieldClash]:
    """The fields of mine that somebody else set to another value since `version`."""
    written: dict[str, JobEvent] = {}
    events = job.events.filter(subject=subject_of(row)).select_related("actor").order_by("pk")
    for event in events:
        if event.after.get("version", 0) > version:
            written.update(dict.fromkeys(event.after, event))
    return [
        FieldClash(name, as_json(mine), theirs, str(written[name].actor), written[name].at)
        for name, mine in changes.items()
        if name in written and as_json(mine) != (theirs := _current(row, name))
    ]


@transaction.atomic
def save_row(
    model: type[models.Model],
    pk: int,
    changes: dict[str, Any],
    *,
    number: int,
    actor: StaffMember,
    version: int,
    key: str = "",
    code: str = "",
    job_path: str = "job",
    stamp: dict[str, Any] | None = None,
    force: bool = False,
    opens: Callable[[int], Job] = open_job,
    join: tuple[str, ...] = (),
) -> Saved:
    """Write `changes` (clean Python values by field name) to row `pk` of job `number`.

    `job_path` is the lookup from the row to its job. `stamp` is written along when anything
    changes (who tried it, when) and is neither compared nor logged. `force` writes over somebody
    else's value: it is what "keep mine" sends after a clash. `opens` gives the job
    locked, or refuses. `join` names relations of the row to read with it.

    Raises Refused when the sheet is closed, the model's DoesNotExist when the row is gone or
    belongs to another job.
    """
    job = opens(number)
    manager = model._default_manager
    rows = manager.filter(**{job_path: job}).select_related(*join)
    if key:
        rows = rows.annotate(saved_before=Exists(JobEvent.objects.filter(key=key)))
    row: Any = rows.get(pk=pk)
    if key and row.saved_before:
        return Saved(row, repeated=True, job=job)
    if row.version != version and not force and (clashes := _clashes(row, changes, version, job)):
        return Saved(row, clashes=clashes, job=job)
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    plain: dict[str, Any] = {}
    many: dict[str, Any] = {}
    for name, value in changes.items():
        old, new = _current(row, name), as_json(value)
        if old == new:
            continue
        before[name], after[name] = old, new
        (many if _is_many(row, name) else plain)[name] = value
    if not after:
        return Saved(row, job=job)
    plain.update(stamp or {})
    row.version += 1
    manager.filter(pk=pk).update(version=row.version, **plain)
    for name, value in plain.items():
        setattr(row, name, value)
    for name, value in many.items():
        getattr(row, name).set(value)
    log(
        job,
        actor,
        code or f"{model._meta.model_name}.changed",
        subject=subject_of(row),
        before=before,
        after={**after, "version": row.version},
        key=key,
    )
    return Saved(row, changed=True, job=job)
