"""What else is set in a processor than its list has: nothing, said by one tap, or what its program
shows.

A list has the sections that are to be typed; a filter that was left from before stands in none of
them, and only somebody who looks at the program can say so.
"""

from typing import Final

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import JobEvent, JobPart
from jobs.services import ask_once
from jobs.services.entry_step import add_entry_step
from jobs.services.events import done_before, log
from jobs.services.saving import locked_job, open_job
from shop.models import StaffMember
from shop.services.events import subject_of

BEYOND: Final = "entry.beyond"
NOTHING: Final = "entry.nothing_beyond"
MOST_BEYOND: Final = 200


def said_beyond(part: JobPart) -> str | None:
    """What is said to be set in a part beyond its list, empty for nothing, None for unsaid."""
    return part.beyond if part.beyond_by_id is not None else None


def put_beyond(part: JobPart, text: str | None, actor: StaffMember) -> None:
    """Keep what is said of a part, None to take it back; call with the job locked."""
    part.beyond = text or ""
    part.beyond_by = actor if text is not None else None
    part.beyond_at = timezone.now() if text is not None else None
    part.version += 1
    part.save(update_fields=["beyond", "beyond_by", "beyond_at", "version"])


@transaction.atomic
def say_beyond(
    number: int, part_pk: int, text: str, *, was: str | None, actor: StaffMember, key: str = ""
) -> JobEvent | None:
    """Say what else is set in a part than its list has, empty for nothing; the event undoes it.

    `was` is what was said when it was asked, None for nothing said. What is said already makes no
    event. Raises Refused where somebody said something else meanwhile, or the sheet is closed.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    part = job.parts.select_related("beyond_by").get(pk=part_pk)
    now, text = said_beyond(part), " ".join(text.split())[:MOST_BEYOND]
    if now == text:
        return None
    if now != was:
        raise Refused(
            gettext("%(who)s said “%(text)s” meanwhile: look at it, then say yours.")
            % {"who": part.beyond_by or "–", "text": part.beyond or gettext("nothing else")}
        )
    put_beyond(part, text, actor)
    add_entry_step(job)
    event = log(
        job,
        actor,
        BEYOND if text else NOTHING,
        subject=subject_of(part),
        before={"beyond": now},
        after={"part": part.label, "beyond": text},
        key=key,
    )
    ask_once.steps_met(job, actor, ask_once.OF_ENTRIES)
    return event


def put_beyond_back(event: JobEvent, actor: StaffMember) -> None:
    """Put back what was said before an event, save where somebody said something else since."""
    if "beyond" not in event.before:
        return
    _, pk = event.about
    part = JobPart.objects.filter(job=event.job_id, pk=pk).first()
    if part is not None and said_beyond(part) == event.after["beyond"]:
        put_beyond(part, event.before["beyond"], actor)


def undo_beyond(event: JobEvent, actor: StaffMember) -> None:
    """Take back what was said to be set beyond a list."""
    put_beyond_back(event, actor)
    ask_once.steps_met(locked_job(event.job.number), actor, ask_once.OF_ENTRIES)
