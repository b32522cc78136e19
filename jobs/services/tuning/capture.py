"""Factory signal capture: outputs of the factory amplifier and sums of two, with their levels."""

from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import FactoryOutput, FactorySum
from jobs.services.events import done_before, log
from jobs.services.saving import open_job, save_row
from shop.models import StaffMember
from shop.services.events import subject_of

CHANGED = "Somebody changed this meanwhile: it is shown as it stands now. Change it again."


@transaction.atomic
def save_output(
    number: int,
    pk: int | None,
    facts: dict[str, Any],
    *,
    actor: StaffMember,
    version: int = 0,
    key: str = "",
) -> FactoryOutput | None:
    """Add an output (no `pk`) or change one; None when this key was already saved.

    Raises Refused on a name the job has already, or when somebody changed it since `version`.
    """
    job = open_job(number)
    if done_before(key):
        return None
    try:
        with transaction.atomic():
            if pk is None:
                row = FactoryOutput.objects.create(job=job, by=actor, **facts)
                told = {"name": row.name, "side": row.side, "bands": len(row.points)}
                log(job, actor, "output.added", subject=subject_of(row), after=told, key=key)
                return row
            saved = save_row(
                FactoryOutput,
                pk,
                facts,
                number=number,
                actor=actor,
                version=version,
                key=key,
                code="output.changed",
            )
    except IntegrityError:
        raise Refused(
            gettext("“%(facts)s” is in the table already: give another name.")
            % {"facts": facts["name"]}
        ) from None
    if saved.clashes:
        raise Refused(CHANGED)
    output: FactoryOutput = saved.row
    return output


@transaction.atomic
def save_sum(
    number: int,
    pk: int | None,
    facts: dict[str, Any],
    *,
    actor: StaffMember,
    version: int = 0,
    key: str = "",
) -> FactorySum | None:
    """Add a sum of two outputs or change one; None when this key was already saved."""
    job = open_job(number)
    if done_before(key):
        return None
    for name in ("first", "second"):
        if facts[name].job_id != job.pk:
            raise Refused(gettext("Choose two outputs of this job."))
    try:
        with transaction.atomic():
            if pk is None:
                row = FactorySum.objects.create(job=job, by=actor, **facts)
                told = {"of": str(row), "bands": len(row.points)}
                log(job, actor, "sum.added", subject=subject_of(row), after=told, key=key)
                return row
            saved = save_row(
                FactorySum,
                pk,
                facts,
                number=number,
                actor=actor,
                version=version,
                key=key,
                code="sum.changed",
            )
    except IntegrityError:
        raise Refused(
            gettext("These two were measured together already: change that one.")
        ) from None
    if saved.clashes:
        raise Refused(CHANGED)
    together: FactorySum = saved.row
    return together


@transaction.atomic
def remove(number: int, kind: str, pk: int, *, actor: StaffMember, key: str = "") -> None:
    """Take an output (with the sums it is in) or a sum away."""
    job = open_job(number)
    if done_before(key):
        return
    model: Any = FactoryOutput if kind == "output" else FactorySum
    row = model.objects.get(pk=pk, job=job)
    before = {"name": str(row), "points": row.points}
    log(job, actor, f"{kind}.removed", subject=subject_of(row), before=before, key=key)
    row.delete()
