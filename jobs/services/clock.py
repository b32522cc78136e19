"""The clock of a technician on a job: started, paused, stopped, and put right when forgotten.

One clock runs at a time for each technician: starting another pauses the first.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import ClockEnd, Job, JobEvent, TimeEntry
from jobs.services.events import done_before, log
from jobs.services.saving import locked_job, open_job
from shop.models import Shop, StaffMember
from shop.roles import BENCH, Role
from shop.services.events import subject_of


@dataclass(frozen=True)
class Started:
    """A running clock, and the one that was paused for it."""

    entry: TimeEntry
    paused: TimeEntry | None = None


def due_at(entry: TimeEntry, shop: Shop) -> datetime:
    """From when on a running clock is taken for forgotten.

    That is the shop's longest clock after the start, or closing time of that day when the clock
    was started before it; counted again from when the technician said the work still goes on.
    """
    since = entry.confirmed_at or entry.started_at
    longest = since + timedelta(hours=shop.longest_clock_h)
    day = since.astimezone(shop.zone).date()
    closing = shop.closing_on(day, entry.job.bay.branch_id)
    return min(longest, closing) if closing is not None and since < closing else longest


def is_overdue(entry: TimeEntry, shop: Shop, now: datetime | None = None) -> bool:
    """The clock runs longer than it should: somebody must say when it ended."""
    return entry.is_running and (now or timezone.now()) > due_at(entry, shop)


def _log(entry: TimeEntry, actor: StaffMember, verb: str, **data: Any) -> JobEvent:
    return log(
        entry.job_id,
        actor,
        f"clock.{verb}",
        subject=subject_of(entry),
        before=data.get("before"),
        after=data.get("after"),
        key=data.get("key"),
    )


def _hold(actor: StaffMember) -> None:
    """Let nobody else start or end a clock of this person until the transaction ends."""
    StaffMember.objects.select_for_update().get(pk=actor.pk)


def _hold_jobs(number: int, running: TimeEntry | None) -> None:
    """Lock the job and the one whose clock is paused for it, in an order all keep to: two people
    who change places would else wait for each other."""
    held = Q(number=number) | Q(pk=running.job_id if running else None)
    list(Job.objects.select_for_update(of=("self",)).filter(held).order_by("pk"))


def _end(
    entry: TimeEntry, how: ClockEnd, at: datetime, actor: StaffMember, key: str | None = None
) -> None:
    entry.ended_at, entry.ended_by = max(at, entry.started_at), how
    entry.version += 1
    entry.save(update_fields=["ended_at", "ended_by", "forgotten", "version"])
    after = {"ended_at": entry.ended_at.isoformat()}
    _log(entry, actor, str(how.label).lower(), after=after, key=key)


def _ask_first(entry: TimeEntry) -> None:
    if is_overdue(entry, Shop.objects.current()):
        raise Refused(
            gettext(
                "Your clock on %(job)s has run since %(started_at)s: first say when you "
                "stopped, or that you are still working."
            )
            % {"job": entry.job, "started_at": wording.dated(entry.started_at)}
        )


@transaction.atomic
def start(number: int, actor: StaffMember, key: str = "") -> Started:
    """Start or go on with the clock of `actor` on a job; another that runs is paused.

    Raises Refused when the sheet is closed, the person does no bench work, or the other clock
    was forgotten.
    """
    _hold(actor)
    running = actor.time_entries.running().with_names().first()
    _hold_jobs(number, running)
    job = open_job(number)
    if actor.roles.isdisjoint(BENCH):
        raise Refused(gettext("Clocks are for technicians and managers."))
    if running is not None and running.job_id == job.pk:
        return Started(running)
    if done := done_before(key):
        return Started(TimeEntry.objects.get(pk=done.about[1]))
    now = timezone.now()
    if running is not None:
        _ask_first(running)
        _end(running, ClockEnd.PAUSED, now, actor)
    entry = TimeEntry.objects.create(job=job, technician=actor, started_at=now)
    _log(entry, actor, "started", after={"started_at": now.isoformat()}, key=key)
    return Started(entry, running)


@transaction.atomic
def end(number: int, actor: StaffMember, how: ClockEnd, key: str = "") -> TimeEntry | None:
    """Pause or stop the running clock of `actor` on a job; None when none runs there.

    Stopping a paused clock closes it. Raises Refused when the clock was forgotten.
    """
    _hold(actor)
    job = locked_job(number)
    own = actor.time_entries.filter(job=job).with_names()
    if done_before(key):
        return own.last()
    running = own.running().with_names().first()
    if running is not None:
        _ask_first(running)
        _end(running, how, timezone.now(), actor, key)
        return running
    last = own.last()
    if how == ClockEnd.STOPPED and last is not None and last.ended_by == ClockEnd.PAUSED:
        last.ended_by = ClockEnd.STOPPED
        last.save(update_fields=["ended_by"])
        _log(last, actor, "stopped", key=key)
        return last
    return None


def stop_all_on(job: Job, actor: StaffMember, at: datetime) -> None:
    """Stop every clock that runs on a job which leaves the bay; inside its transaction.

    A clock that ran longer than it should is marked as forgotten, for a manager to put right.
    """
    shop = Shop.objects.current()
    for entry in job.time_entries.running().with_names():
        entry.forgotten = is_overdue(entry, shop, at)
        _end(entry, ClockEnd.STOPPED, at, actor)


def stop_all_of(person: StaffMember, actor: StaffMember) -> list[TimeEntry]:
    """Stop the clock of a person who leaves; inside a transaction that holds their jobs. One that
    ran longer than it should is marked as forgotten, for a manager to put right."""
    _hold(person)
    shop, now = Shop.objects.current(), timezone.now()
    stopped = list(person.time_entries.running().with_names())
    for entry in stopped:
        entry.forgotten = is_overdue(entry, shop, now)
        _end(entry, ClockEnd.STOPPED, now, actor)
    return stopped


@transaction.atomic
def still_working(pk: int, actor: StaffMember) -> TimeEntry:
    """The technician says that a clock which seemed forgotten runs rightly."""
    entry = TimeEntry.objects.select_for_update(of=("self",)).with_names().get(pk=pk)
    if entry.technician_id != actor.pk:
        raise Refused(
            gettext("Only %(technician)s can say that.") % {"technician": entry.technician}
        )
    if not entry.is_running:
        raise ChangedMeanwhile(gettext("This clock has been stopped meanwhile."))
    entry.confirmed_at = timezone.now()
    entry.save(update_fields=["confirmed_at"])
    _log(entry, actor, "confirmed", after={"confirmed_at": entry.confirmed_at.isoformat()})
    return entry


def may_correct(entry: TimeEntry, actor: StaffMember, shop: Shop) -> bool:
    """A manager any entry, a technician their own forgotten clock."""
    own = entry.technician_id == actor.pk and is_overdue(entry, shop)
    return own or Role.MANAGER in actor.roles


def _check_times(entry: TimeEntry, started_at: datetime, ended_at: datetime | None) -> None:
    if started_at > timezone.now() or (ended_at and ended_at > timezone.now()):
        raise Refused(gettext("That time is still to come: check day and time."))
    if ended_at is not None and ended_at < started_at:
        raise Refused(
            gettext("It cannot end %(ended_at)s: it started %(started_at)s. Check the day.")
            % {"ended_at": wording.dated(ended_at), "started_at": wording.dated(started_at)}
        )
    others = entry.technician.time_entries.with_names().exclude(pk=entry.pk)
    if ended_at is not None:
        others = others.filter(started_at__lt=ended_at)
    clash = others.filter(Q(ended_at=None) | Q(ended_at__gt=started_at)).first()
    if clash is not None:
        until = wording.dated(clash.ended_at) if clash.ended_at else "now"
        raise Refused(
            gettext(
                "%(technician)s was on %(job)s from %(started_at)s to %(until)s: times "
                "of one person cannot overlap."
            )
            % {
                "technician": entry.technician,
                "job": clash.job,
                "started_at": wording.dated(clash.started_at),
                "until": until,
            }
        )


@transaction.atomic
def correct(
    pk: int,
    actor: StaffMember,
    *,
    ended_at: datetime | None,
    started_at: datetime | None = None,
    reason: str = "",
    note: str | None = None,
) -> TimeEntry:
    """Put the times of an entry right.

    A manager may change any entry and says why; a technician gives the end of their own clock
    that was left running. `ended_at` None leaves a running clock running. Raises Refused.
    """
    entry = TimeEntry.objects.select_for_update(of=("self",)).with_names().get(pk=pk)
    shop = Shop.objects.current()
    if not may_correct(entry, actor, shop):
        raise Refused(gettext("Only a manager changes times that are written down."))
    manager = Role.MANAGER in actor.roles
    own = entry.technician_id == actor.pk and is_overdue(entry, shop)
    reason = reason.strip()
    if not own and not reason:
        raise Refused(gettext("Say why the times are changed: it is kept with the entry."))
    starts = started_at if manager and started_at else entry.started_at
    if ended_at is None and not entry.is_running:
        raise Refused(gettext("Give the time it ended."))
    _check_times(entry, starts, ended_at)
    old = {
        "started_at": entry.started_at.isoformat(),
        "ended_at": entry.ended_at.isoformat() if entry.ended_at else None,
    }
    entry.forgotten = entry.forgotten or is_overdue(entry, shop)
    entry.started_at, entry.ended_at = starts, ended_at
    if ended_at is not None and not entry.ended_by:
        entry.ended_by = ClockEnd.STOPPED
    if note is not None:
        entry.note = note.strip()
    entry.version += 1
    entry.save()
    new = {
        "started_at": starts.isoformat(),
        "ended_at": ended_at.isoformat() if ended_at else None,
    }
    changed = [name for name in new if old[name] != new[name]]
    _log(
        entry,
        actor,
        "corrected",
        before={name: old[name] for name in changed},
        after={name: new[name] for name in changed} | ({"reason": reason} if reason else {}),
    )
    return entry
