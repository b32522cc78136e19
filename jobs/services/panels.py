"""Panels taken off the car, and put back."""

from typing import Any, Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import JobEvent, Panel, PanelState
from jobs.services.events import done_before, log
from jobs.services.removal import put_back, take_out
from jobs.services.saving import Saved, cells_of, open_job, save_row
from shop.models import StaffMember
from shop.services.events import subject_of

_save: Final = cells_of(Panel, "panel.changed")


@transaction.atomic
def save_panel(number: int, pk: int, changes: dict[str, Any], **by: Any) -> Saved:
    """Save cells of a panel. Raises Refused where more clips are replaced than it has."""
    saved = _save(number, pk, changes, **by)
    row = saved.row
    known = None not in (row.clips, row.clips_replaced)
    if saved.changed and known and row.clips_replaced > row.clips:
        raise Refused(
            gettext(
                "%(row)s has %(clips)s clips and screws: of them no more can be "
                "replaced. Put the count right first."
            )
            % {"row": row, "clips": row.clips}
        )
    return saved


@transaction.atomic
def add_panel(
    number: int, name: str, clips: int | None, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Add a panel that was taken off; the event undoes it. Raises Refused."""
    job = open_job(number)
    if done := done_before(key):
        return done
    try:
        with transaction.atomic():
            row = Panel.objects.create(job=job, name=name, clips=clips)
    except IntegrityError:
        raise Refused(
            gettext("“%(name)s” is on the list already: say which side it is on.") % {"name": name}
        ) from None
    after = {"name": name, "clips": clips}
    return log(job, actor, "panel.added", subject=subject_of(row), after=after, key=key)


@transaction.atomic
def remove_panel(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Take a panel off the list; the event undoes it. Raises Panel.DoesNotExist."""
    job = open_job(number)
    if done := done_before(key):
        return done
    row = job.panels.get(pk=pk)
    subject, before = subject_of(row), {"name": row.name, **take_out(row)}
    return log(job, actor, "panel.removed", subject=subject, before=before, key=key)


@transaction.atomic
def all_refitted(number: int, *, actor: StaffMember, key: str = "") -> JobEvent | None:
    """Say of every panel that is still off that it is back; the event undoes it. None where every
    one was."""
    job = open_job(number)
    if done := done_before(key):
        return done
    rows = list(job.panels.filter(state=PanelState.OFF))
    for row in rows:
        _put(number, row, PanelState.REFITTED, actor)
    if not rows:
        return None
    after = {"panels": [row.pk for row in rows], "count": len(rows)}
    return log(job, actor, "panels.refitted", after=after, key=key)


def _put(number: int, row: Panel, state: str, actor: StaffMember) -> None:
    save_row(
        Panel, row.pk, {"state": state}, number=number, actor=actor, version=row.version,
        code="panel.changed", force=True,
    )  # fmt: skip


def undo_add(event: JobEvent, actor: StaffMember) -> None:
    """Take away the panel an event put on the list, unless something was written of it since."""
    _, pk = event.about
    row = event.job.panels.filter(pk=pk).first()
    if row is None:
        return
    if row.version != 1:
        raise Refused(
            gettext("Something was written of %(row)s since: take it off the list by hand.")
            % {"row": row}
        )
    remove_panel(event.job.number, pk, actor=actor)


def undo_remove(event: JobEvent, actor: StaffMember) -> None:
    """Put back a panel with all that was written of it."""
    name = event.before["name"]
    if event.job.panels.filter(name=name).exists():
        raise Refused(gettext("“%(name)s” is on the list again already.") % {"name": name})
    row = put_back(event.before)
    log(event.job, actor, "panel.added", subject=subject_of(row), after={"name": name})


def undo_refitted(event: JobEvent, actor: StaffMember) -> None:
    """Those panels are off again, save where somebody said otherwise since."""
    rows = event.job.panels.filter(pk__in=event.after["panels"], state=PanelState.REFITTED)
    for row in rows:
        _put(event.job.number, row, PanelState.OFF, actor)
