"""The one way a row of the bay sheet is saved.

A save names the fields it changes, the version of the row it was made on, and a key made by the
client. A repeat of a key changes nothing. A row changed meanwhile is merged field by field: only
a field that both changed to different values is a clash, and then nothing is written, both values
are shown, and the one not written is kept in the log.

A key may begin with the name of the device and "_". What one person enters on one device comes in
order, so those saves never clash with each other, also when they were queued on one version.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache, partial
from operator import attrgetter
from typing import Any, Final, Protocol, cast

from django.db import models, transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Job, JobEvent
from jobs.services.events import done_before, log
from shop.models import StaffMember
from shop.money import plain
from shop.prepared import PreparedObjects, write_fields
from shop.services.events import subject_of

CLASH: Final = "entry.clash"
"""Code of the event that keeps a value which was not written over somebody else's."""


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

    `job` is the job as it was locked for the save, where a row was looked at.
    """

    row: Any
    changed: bool = False
    clashes: list[FieldClash] = field(default_factory=list)
    job: Job | None = None


_BEFORE_CHECK_IN: Final = ContextVar("before_check_in", default=False)


@contextmanager
def before_check_in() -> Iterator[None]:
    """Let what is written inside go into a job that is only booked: a plan made ahead."""
    token = _BEFORE_CHECK_IN.set(True)
    try:
        yield
    finally:
        _BEFORE_CHECK_IN.reset(token)


def check_open(job: Job) -> None:
    """Raise Refused when the job's sheet takes no entries."""
    if _BEFORE_CHECK_IN.get() and job.stage == Stage.BOOKED:
        return
    if not job.sheet_is_open:
        raise Refused(
            gettext(
                "This sheet is closed: the job is %(standing)s. Ask a manager to send it "
                "back or to open a correction."
            )
            % {"standing": job.standing}
        )


def locked_job(number: int) -> Job:
    """The job, locked, whatever its stage. Call inside a transaction."""
    return Job.objects.select_for_update(of=("self",)).get(number=number)


def open_job(number: int) -> Job:
    """The job, if its sheet takes entries; Refused otherwise. Call inside a transaction."""
    job = locked_job(number)
    check_open(job)
    return job


def as_json(value: Any) -> Any:
    """A field's value as a JSON type: a row by its key, a set of rows by sorted keys."""
    if isinstance(value, models.Model):
        return value.pk
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return plain(value)
    if isinstance(value, models.QuerySet):
        return sorted(value.values_list("pk", flat=True))
    if isinstance(value, list) and value and isinstance(value[0], models.Model):
        return sorted(one.pk for one in value)
    return value


def _is_many(row: models.Model, name: str) -> bool:
    return bool(row._meta.get_field(name).many_to_many)


def current(row: models.Model, name: str) -> Any:
    """What a field holds now, as a JSON type."""
    if _is_many(row, name):
        return sorted(getattr(row, name).values_list("pk", flat=True))
    model_field = row._meta.get_field(name)
    return as_json(getattr(row, getattr(model_field, "attname", name)))


def device_of(key: str | None) -> str:
    """The device that made a key, empty when it does not say."""
    return (key or "").rpartition("_")[0]


def _clashes(
    row: Any, changes: dict[str, Any], version: int, job: Job, actor: StaffMember, key: str
) -> list[FieldClash]:
    """The fields of mine that somebody else set to another value since `version`."""
    written: dict[str, JobEvent] = {}
    events = job.events.filter(subject=subject_of(row)).select_related("actor").order_by("pk")
    device = device_of(key)
    for event in events:
        own = device and event.actor_id == actor.pk and device_of(event.key) == device
        if event.after.get("version", 0) > version and not own:
            written.update(dict.fromkeys(event.after, event))
    return [
        FieldClash(name, as_json(mine), theirs, str(written[name].actor), written[name].at)
        for name, mine in changes.items()
        if name in written and as_json(mine) != (theirs := current(row, name))
    ]


def _log_clash(
    row: models.Model, job: Job, actor: StaffMember, clashes: list[FieldClash], key: str
) -> None:
    """Keep in the log what was not written, so that neither value is lost; once a key."""
    if done_before(key):
        return
    log(
        job,
        actor,
        CLASH,
        subject=subject_of(row),
        before={clash.field: clash.theirs for clash in clashes},
        after={clash.field: clash.mine for clash in clashes},
        key=key,
    )


@lru_cache(maxsize=128)
def _with_its_job(
    model: type[models.Model],
    job_path: str,
    join: tuple[str, ...],
    names: tuple[str, ...],
    said: tuple[tuple[str, Any], ...],
) -> PreparedObjects[Any]:
    """Reads and locks a row and its job by the lookups `names`; those with their value `said` are
    the same each time."""

    def build(number: int, *keys: int) -> "models.QuerySet[Any]":
        found = {f"{job_path}__number": number, **dict(said), **dict(zip(names, keys, strict=True))}
        rows = model._default_manager.filter(**found).select_related(job_path, *join)
        return rows.select_for_update(of=("self", job_path))

    return PreparedObjects(build, 1 + len(names))


def _locked(
    model: type[models.Model],
    lookups: dict[str, Any],
    number: int,
    job_path: str,
    join: tuple[str, ...],
) -> tuple[Any, Job]:
    """The row and its job, both locked and read in one statement, so that both are fresh."""
    keys = {name: value for name, value in lookups.items() if isinstance(value, int)}
    said = tuple((name, value) for name, value in lookups.items() if name not in keys)
    found = _with_its_job(model, job_path, join, tuple(keys), said)(number, *keys.values())
    if not found:
        raise cast(Any, model).DoesNotExist
    job = attrgetter(job_path.replace("__", "."))(found[0])
    check_open(job)
    return found[0], job


class SaveCells(Protocol):
    """Saves cells of one kind of row of a job."""

    def __call__(
        self,
        number: int,
        pk: int,
        changes: dict[str, Any],
        /,
        *,
        actor: StaffMember,
        version: int,
        key: str = "",
    ) -> Saved: ...


def cells_of(model: type[models.Model], code: str) -> SaveCells:
    """How cells of a kind of row are saved: by `save_row`, with events of one code."""
    return partial(_save_cells, model, code)


def _save_cells(
    model: type[models.Model], code: str, number: int, pk: int, changes: dict[str, Any], **by: Any
) -> Saved:
    return save_row(model, pk, changes, number=number, code=code, **by)


def save_only_row(
    model: type[models.Model],
    of: dict[str, Any],
    changes: dict[str, Any],
    *,
    job: Job,
    version: int,
    job_path: str = "job",
    **by: Any,
) -> Saved:
    """Save cells of the one row that a job, or a thing of it, has of this model; in every stage.

    The first save makes the row; `version` is 0 where there was none. `job` is locked already.
    """
    row, made = model._default_manager.get_or_create(**of, defaults={"version": 0})
    return save_row(
        model,
        row.pk,
        changes,
        number=job.number,
        version=0 if made else version,
        job_path=job_path,
        opens=lambda _: job,
        **by,
    )


def write_row(
    model: type[models.Model],
    pk: int | dict[str, Any],
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
    opens: Callable[[int], Job] | None = None,
    join: tuple[str, ...] = (),
) -> Saved:
    """Write `changes` (clean Python values by field name) to row `pk` of job `number`.

    `pk` may be the lookups that find the row. `job_path` is the lookup from the row to its job.
    `stamp` is written along when anything changes (who tried it, when) and is neither compared
    nor logged. `force` writes over somebody else's value: it is what "keep mine" sends after a
    clash. `opens` gives the job locked, or refuses, where other stages than those of an open
    sheet take the entry. `join` names relations of the row to read with it.

    Call inside a transaction that an error ends, as every service is; save_row makes one.
    Raises Refused when the sheet is closed, the model's DoesNotExist when the row is gone or
    belongs to another job.
    """
    manager = model._default_manager
    lookups = pk if isinstance(pk, dict) else {"pk": pk}
    row: Any
    if opens is None:
        row, job = _locked(model, lookups, number, job_path, join)
    else:
        job = opens(number)
        row = manager.filter(**lookups).select_related(*join).get(**{job_path: job})
    if row.version != version:
        # A save that was made has raised the version, so only here can the key be a repeat.
        if done_before(key):
            return Saved(row, job=job)
        if not force and (clashes := _clashes(row, changes, version, job, actor, key)):
            _log_clash(row, job, actor, clashes, f"{key}-clash" if key else "")
            return Saved(row, clashes=clashes, job=job)
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    plain: dict[str, Any] = {}
    many: dict[str, Any] = {}
    for name, value in changes.items():
        old, new = current(row, name), as_json(value)
        if old == new:
            continue
        before[name], after[name] = old, new
        (many if _is_many(row, name) else plain)[name] = value
    if not after:
        return Saved(row, job=job)
    plain.update(stamp or {})
    row.version += 1
    write_fields(row, {"version": row.version, **plain})
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


save_row = transaction.atomic(write_row)
"""write_row in a transaction of its own, or in a savepoint of another's, which is two statements
more: of what it wrote nothing is left when it raises, whatever its caller makes of that."""


def put_cells_back(
    model: type[models.Model], code: str, event: JobEvent, actor: StaffMember
) -> None:
    """Put back what a row had before an event, save what somebody changed since.

    Raises Refused when the row is gone.
    """
    _, pk = event.about
    row: Any = model._default_manager.filter(job=event.job_id, pk=pk).first()
    if row is None:
        raise Refused(gettext("That row is no longer in the plan."))
    changes = {
        name: value
        for name, value in event.before.items()
        if current(row, name) == event.after[name]
    }
    save_row(
        model,
        pk,
        changes,
        number=event.job.number,
        actor=actor,
        version=row.version,
        force=True,
        code=code,
    )
