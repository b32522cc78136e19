"""Moving a job from stage to stage: one function, one transaction, one event."""

from collections.abc import Callable, Iterable, Sequence
from itertools import chain, repeat
from typing import Any, Final

from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import MOVES, Correction, Move, Stage, begins_at, sheet_is_open
from jobs.models import Job
from jobs.services import clock, gates
from jobs.services.bays import bay_occupied, claim, hold_the_book, slot_taken
from jobs.services.events import log
from jobs.services.gates import GateFacts, Need
from jobs.services.steps import steps_missing
from jobs.services.work_done import who_may_have_worked, work_done
from shop.models import StaffMember


def _check_in_signed(job: Job) -> list[str]:
    check_in = getattr(job, "check_in", None)
    if check_in is None:
        return ["Fill in the check-in first."]
    if check_in.signed_at is None:
        return ["The customer has not signed the condition: sign the check-in first."]
    return []


def _bay_free_again(job: Job) -> list[str]:
    return bay_occupied(job) if job.held_from == Stage.IN_BAY else []


def _channels_entered(job: Job) -> list[str]:
    if job.channels.exists() and not job.channels.filter(speakers__isnull=False).exists():
        return ["The channel plan is empty: enter which channel feeds which speaker."]
    return []


def _sheet_frozen(job: Job) -> list[str]:
    sheet = job.sheets.order_by("-revision").first()
    if sheet is None or sheet.signed_at < job.waiting_since:
        return ["Sign on the review page: that freezes the install sheet."]
    return []


def _customer_signed(job: Job) -> list[str]:
    sheet = job.sheets.order_by("-revision").first()
    if sheet is None or not hasattr(sheet, "receipt"):
        return ["The customer has not signed the install sheet."]
    return []


def of_job(need: Callable[[Job], list[str]]) -> Need:
    """A need that looks at the job alone."""
    return lambda facts: need(facts.job)


def _due_by_now(job: Job) -> list[str]:
    if job.starts_at > timezone.now():
        return [
            gettext("%(job)s is not due before %(when)s.")
            % {"job": job, "when": wording.dated(job.starts_at)}
        ]
    return []


NEEDS: dict[str, Need] = {
    "due_by_now": of_job(_due_by_now),
    "check_in_signed": of_job(_check_in_signed),
    "bay_free_now": of_job(bay_occupied),
    "bay_free_again": of_job(_bay_free_again),
    "slot_free": of_job(slot_taken),
    "fit_proved": gates.fit_proved,
    "functions_tried": gates.functions_tried("before", "after"),
    "readings_taken": gates.readings_taken("before", "after"),
    "channels_entered": of_job(_channels_entered),
    "steps_done": of_job(steps_missing),
    "no_stop": gates.no_stop(),
    "cautions_reasoned": gates.cautions_reasoned,
    "sheet_frozen": of_job(_sheet_frozen),
    "customer_signed": of_job(_customer_signed),
}
"""By name. `jobs.sheet.revision` adds those that compare the record with its signed sheet."""


def missing_for(job: Job, name: str, but: str = "") -> list[str]:
    """What still stands in the way of a move, one sentence each; `but` leaves out one need."""
    facts = GateFacts(job)
    return [reason for need in MOVES[name].needs if need != but for reason in NEEDS[need](facts)]


def check_stage(job: Job, name: str) -> None:
    """Raise ChangedMeanwhile when the job is not where the move begins."""
    wanted = MOVES[name]
    here = begins_at(wanted, job.stage, job.held_from)
    if not here or job.correction not in wanted.during:
        raise ChangedMeanwhile(
            gettext("%(job)s is %(standing)s now, so “%(wanted)s” does not apply: reload the page.")
            % {"job": job, "standing": job.standing, "wanted": wanted.label}
        )


def check_move(job: Job, name: str, actor: StaffMember, reason: str = "", but: str = "") -> None:
    """Raise Refused or ChangedMeanwhile when the move may not be made; `but` as above."""
    wanted = MOVES[name]
    if actor.roles.isdisjoint(wanted.roles):
        raise Refused(
            gettext("“%(wanted)s” is not for your role: ask a manager.") % {"wanted": wanted.label}
        )
    check_stage(job, name)
    if wanted.reason and not reason:
        raise Refused(gettext("“%(wanted)s” needs a reason.") % {"wanted": wanted.label})
    if missing := missing_for(job, name, but):
        raise Refused(*missing)


def _who_worked(job: Job, actor: StaffMember, named: Sequence[int]) -> dict[str, Any]:
    """Who did the work, for the event of the hand-over. Raises Refused when it must be said."""
    done = work_done(job, actor)
    people = done.people
    if named:
        people = [one for one in who_may_have_worked(people) if one.pk in named]
    elif not done.plain:
        people = []
    if not people or len(people) < len(set(named)):
        raise Refused(gettext("Say who did the work: tick everybody who worked on this car."))
    return {"worked": [{"id": one.pk, "name": str(one)} for one in people]}


def _correction_reason(job: Job, wanted: Move, reason: str) -> str:
    """Why the correction is open; kept until it is signed or abandoned."""
    if not wanted.leaves:
        return ""
    return reason if wanted.during == {Correction.NONE} else job.correction_reason


_WITHOUT_WORDS: Final = {"no_show": "Did not come."}
"""What stands as the reason of a move that needs none typed."""

SENDS_BACK: Final = frozenset({"send_back", "send_back_correction"})
"""Moves whose reason becomes points for the technician."""


@transaction.atomic
def move(
    job_id: int,
    name: str,
    actor: StaffMember,
    reason: str = "",
    worked_by: Sequence[int] = (),
    fingerprints: Iterable[str] = (),
) -> Job:
    """Make the move `name`, the only way a job changes stage or a correction goes on.

    Each line of a reason to send back becomes one point for the technician; `fingerprints` names
    the findings that the first lines were made from. `worked_by` names who did the work when the
    job is handed to review, where the record does not say it plainly.

    Raises Refused when the person may not, the stage is another, a precondition fails or the
    reason is missing; ChangedMeanwhile when somebody moved the job first.
    """
    wanted = MOVES[name]
    reason = reason.strip()
    if wanted.takes_a_bay:
        hold_the_book()
    job = Job.objects.select_for_update(of=("self",)).select_related("bay").get(pk=job_id)
    check_move(job, name, actor, reason)
    more = _who_worked(job, actor, worked_by) if name == "finish" else {}
    begins = job.stage
    now = timezone.now()
    ends = Stage(begins) if wanted.corrects else wanted.to or Stage(job.held_from)
    waits = wanted.waits is not None and bool(bay_occupied(job))
    if waits and wanted.waits is not None:
        ends = wanted.waits
    values: dict[str, Any]
    if wanted.corrects:
        values = {
            "correction": wanted.leaves,
            "correction_since": now if wanted.leaves else None,
            "correction_reason": _correction_reason(job, wanted, reason),
        }
    else:
        values = {
            "stage": ends,
            "stage_since": now,
            "stage_reason": reason or _WITHOUT_WORDS.get(name, ""),
            "held_from": begins if ends == Stage.ON_HOLD else Stage.IN_BAY if waits else "",
        }
    if name == "start_work" and job.technician_id is None and actor.is_technician:
        values["technician"] = actor
    with claim(job):
        changed = Job.objects.filter(pk=job.pk, stage=begins, correction=job.correction).update(
            version=F("version") + 1, **values
        )
    if not changed:
        raise ChangedMeanwhile(gettext("Somebody changed this job first: reload the page."))
    if not sheet_is_open(ends, wanted.leaves):
        clock.stop_all_on(job, actor, now)
    if name in SENDS_BACK:
        lines = filter(None, map(str.strip, reason.splitlines()))
        for line, fingerprint in zip(lines, chain(fingerprints, repeat("")), strict=False):
            job.send_backs.create(reason=line, fingerprint=fingerprint, by=actor)
    log(
        job,
        actor,
        f"job.{name}",
        before={"stage": begins, **({"correction": job.correction} if wanted.corrects else {})},
        after={
            "stage": ends,
            **({"correction": wanted.leaves} if wanted.corrects else {}),
            **({"reason": reason} if reason else {}),
            **more,
            **({"waits_for": str(job.bay)} if waits else {}),
        },
    )
    job.refresh_from_db()
    return job
