"""The desk's log of a job: what was said, by whom, when; and how to reach the customer.

What was said is an event of the job's log, so it is linked like every other and never changed: a
slip is withdrawn by a second event, and both stay to be read.
"""

from collections.abc import Iterable
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.models import DeskFacts, Job, JobEvent, Said
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, check_open, locked_job, save_only_row
from shop.models import StaffMember
from shop.services.events import subject_of

SAID: Final = "desk.said"
WITHDRAWN: Final = "desk.withdrawn"
LONGEST: Final = 2000


@transaction.atomic
def note_said(
    number: int,
    how: str,
    text: str,
    *,
    actor: StaffMember,
    key: str = "",
    printed: bool = False,
    about: str = "",
) -> JobEvent | None:
    """Note what was said; None when this key was noted already.

    `about` names the kind of message that it was. With `printed` it also stands among the sheet's
    notes, for which the sheet must be open. Raises Refused when there are no words, too many, or
    the sheet takes none.
    """
    job = locked_job(number)
    if done_before(key):
        return None
    text = text.strip()
    if how not in Said.values:
        raise Refused(
            gettext("Say how it was said: a call, a message, at the counter, or an approval.")
        )
    if not text:
        raise Refused(gettext("Write what was said first."))
    if len(text) > LONGEST:
        raise Refused(
            gettext("That is longer than %(longest)s characters: note it in two parts.")
            % {"longest": wording.number(LONGEST)}
        )
    subject = ""
    if printed:
        check_open(job)
        note = job.notes.create(text=f"{Said(how).label}: {text}", by=actor)
        subject = subject_of(note)
    after = {
        "how": how,
        "text": text,
        **({"printed": True} if printed else {}),
        **({"about": about} if about else {}),
    }
    return log(job, actor, SAID, subject=subject, after=after, key=key)


@transaction.atomic
def withdraw(number: int, event_pk: int, *, actor: StaffMember) -> JobEvent:
    """Withdraw what was noted, once; its words stay, struck out. Gives the event withdrawn.

    Raises Refused when somebody else noted it and the person is no manager, or when it stands on
    a sheet that is closed.
    """
    job = locked_job(number)
    event = JobEvent.objects.select_related("actor").get(pk=event_pk, job=job, code=SAID)
    key = f"withdrawn-{event.pk}"
    if done_before(key):
        return event
    if event.actor_id != actor.pk and not actor.is_manager:
        raise Refused(
            gettext("%(actor)s noted this: ask them, or a manager, to withdraw it.")
            % {"actor": event.actor}
        )
    if event.subject:
        check_open(job)
        job.notes.filter(pk=event.about[1]).delete()
    log(job, actor, WITHDRAWN, subject=subject_of(event), after=event.after, key=key)
    return event


def said_on(job: Job) -> list[JobEvent]:
    """What was said on a job, the newest first; `withdrawn` is the event that took one back."""
    events = job.events.filter(code__in=(SAID, WITHDRAWN)).select_related("actor")
    return _paired(events)


def _paired(events: Iterable[JobEvent]) -> list[JobEvent]:
    listed = list(events)
    gone = {one.subject: one for one in listed if one.code == WITHDRAWN}
    said = [one for one in listed if one.code == SAID]
    for one in said:
        vars(one)["withdrawn"] = gone.get(subject_of(one))
        vars(one)["how"] = Said(one.after["how"]).label
    return said


def desk_of(job: Job) -> DeskFacts:
    """The job's desk facts; an unsaved row where nobody has entered any."""
    found = DeskFacts.objects.filter(job=job).first()
    return found or DeskFacts(job=job, version=0)


@transaction.atomic
def save_desk(
    number: int, changes: dict[str, Any], *, actor: StaffMember, version: int, key: str = ""
) -> Saved:
    """Save how to reach the customer, where the keys hang, who waits; in every stage.

    `version` is that of the row when the form was opened, 0 when there was none.
    """
    job = locked_job(number)
    return save_only_row(
        DeskFacts,
        {"job": job},
        changes,
        job=job,
        actor=actor,
        version=version,
        key=key,
        code="desk.changed",
    )
