"""Writing the event log: always inside the transaction of the change it tells of."""

from typing import Any

from django.utils import timezone

from jobs.models import Job, JobEvent
from jobs.services import hooks, record
from shop.models import StaffMember


def log(
    job: Job | int,
    actor: StaffMember,
    code: str,
    *,
    subject: str = "",
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    key: str | None = None,
) -> JobEvent:
    """Add one event. `before` and `after` hold JSON types only; `key` is the client's save key."""
    event = JobEvent(
        job_id=job if isinstance(job, int) else job.pk,
        actor=actor,
        code=code,
        subject=subject,
        before=before or {},
        after=after or {},
        key=key or None,
        at=timezone.now(),
    )
    written = record.write(event)
    hooks.tell(written, job if isinstance(job, Job) else None)
    return written


def done_before(key: str | None) -> JobEvent | None:
    """The event of a save that was made with this key already: a repeat changes nothing.

    None without a key, which is a save that no client may repeat.
    """
    return JobEvent.objects.filter(key=key).first() if key else None
