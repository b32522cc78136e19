"""Notes, and the manager's reasons for sending the sheet back ticked off."""

from django.db import transaction
from django.utils import timezone

from jobs.errors import Refused
from jobs.models import JobEvent, JobNote, SendBack
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


@transaction.atomic
def tick_send_back(number: int, pk: int, done: bool, *, actor: StaffMember) -> SendBack:
    """Tick off a reason for which the sheet was sent back, or take the tick away."""
    job = open_job(number)
    row = job.send_backs.select_for_update(of=("self",)).get(pk=pk)
    if done == (row.done_at is not None):
        return row
    row.done_by = actor if done else None
    row.done_at = timezone.now() if done else None
    row.save(update_fields=["done_by", "done_at"])
    log(
        job,
        actor,
        "sendback.done" if done else "sendback.reopened",
        subject=subject_of(row),
        after={"reason": row.reason[:200]},
    )
    return row
