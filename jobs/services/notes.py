"""Notes on the bay sheet."""

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import JobNote
from jobs.services.events import done_before, log
from jobs.services.saving import open_job
from shop.models import StaffMember
from shop.services.events import subject_of


@transaction.atomic
def add_note(number: int, text: str, *, actor: StaffMember, key: str = "") -> JobNote | None:
    """Add a note; None when this key was already saved. Raises Refused."""
    job = open_job(number)
    if done_before(key):
        return None
    text = text.strip()
    if not text:
        raise Refused(gettext("Write the note first."))
    note = JobNote.objects.create(job=job, text=text, by=actor)
    log(job, actor, "note.added", subject=subject_of(note), after={"text": text}, key=key)
    return note
