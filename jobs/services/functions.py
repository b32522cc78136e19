"""Function checks: each factory function tried before the work and after it."""

from typing import Any, Final

from django.db import IntegrityError, transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import FunctionCheck, FunctionResult, JobEvent
from jobs.services.ask_once import steps_met
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, open_job, save_row
from shop.models import StaffMember
from shop.services.events import subject_of

OWN_GROUP: Final = "This car"


@transaction.atomic
def record(number: int, pk: int, phase: str, changes: dict[str, Any], **by: Any) -> Saved:
    """Save the result or note of one function; who and when go with a result. The steps that
    wait for it alone are ticked."""
    saved = _record(number, pk, phase, changes, **by)
    if saved.changed and saved.job is not None and phase in changes:
        steps_met(saved.job, by["actor"])
    return saved


def _record(
    number: int,
    pk: int,
    phase: str,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
    force: bool = False,
) -> Saved:
    stamp = {}
    if phase in changes:
        tried = changes[phase] != FunctionResult.UNTRIED
        stamp = {
            f"{phase}_by": actor if tried else None,
            f"{phase}_at": timezone.now() if tried else None,
        }
    return save_row(
        FunctionCheck,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="function.tried",
        stamp=stamp,
        force=force,
    )


@transaction.atomic
def all_work(
    number: int, phase: str, group: str, *, actor: StaffMember, key: str = ""
) -> JobEvent | None:
    """Mark every function of the group that has no result yet as working.

    Results already given stand. After the work, what was not fitted before is still not fitted.
    Returns the event that undoes it, None when nothing was left.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    untried = job.function_checks.filter(group=group, **{phase: FunctionResult.UNTRIED})
    rows = list(untried)
    absent = [
        row.pk for row in rows if phase == "after" and row.before == FunctionResult.NOT_FITTED
    ]
    for row in rows:
        result = FunctionResult.NOT_FITTED if row.pk in absent else FunctionResult.WORKS
        _record(number, row.pk, phase, {phase: result}, actor=actor, version=row.version)
    if not rows:
        return None
    steps_met(job, actor)
    return log(
        job,
        actor,
        "functions.group_works",
        before={"rows": [row.pk for row in rows]},
        after={
            "phase": phase,
            "group": group,
            "count": len(rows) - len(absent),
            "not_fitted": absent,
        },
        key=key,
    )


def undo_all_work(event: JobEvent, actor: StaffMember) -> None:
    """Take back what `all_work` wrote, save where somebody changed the result since."""
    phase = event.after["phase"]
    number = event.job.number
    absent = event.after.get("not_fitted", [])
    wrote = {
        FunctionResult.WORKS: [pk for pk in event.before["rows"] if pk not in absent],
        FunctionResult.NOT_FITTED: absent,
    }
    kept = [
        row
        for result, keys in wrote.items()
        for row in FunctionCheck.objects.filter(pk__in=keys, job=event.job, **{phase: result})
    ]
    for row in kept:
        changes = {phase: FunctionResult.UNTRIED}
        _record(number, row.pk, phase, changes, actor=actor, version=row.version, force=True)
    steps_met(event.job, actor)


@transaction.atomic
def add_function(
    number: int, *, name: str, how: str, group: str = "", actor: StaffMember, key: str = ""
) -> FunctionCheck | None:
    """Add a function of this car to the list; None when this key was already saved."""
    job = open_job(number)
    if done_before(key):
        return None
    last = job.function_checks.aggregate(last=Max("order"))["last"] or 0
    try:
        with transaction.atomic():
            row = FunctionCheck.objects.create(
                job=job, group=group or OWN_GROUP, name=name, how=how, order=last + 1
            )
    except IntegrityError:
        raise Refused(gettext("“%(name)s” is already on the list.") % {"name": name}) from None
    log(job, actor, "function.added", subject=subject_of(row), after={"name": name}, key=key)
    return row
