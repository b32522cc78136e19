"""Notes on the bay sheet."""

from django.db import transaction

from jobs.errors import Refused
from jobs.models import JobEvent, JobNote
from jobs.services.events import log
from jobs.services.saving import open_job, subject_of
from shop.models import StaffMember


@transaction.atomic
def add_note(number: int, text: str, *, actor: StaffMember, key: str = "") -> JobNote | None:
    """Add a note; None when this key was already saved. Raises Refused."""
    job = open_job(number)
    if key and JobEvent.objects.filter(key=key).exists():
        return None
    text = text.strip()
    if not text:
        raise Refused("Write the note first.")
    note = JobNote.objects.create(job=job, text=text, by=actor)
    log(job, actor, "note.added", subject=subject_of(note), after={"text": text}, key=key)
    return note
