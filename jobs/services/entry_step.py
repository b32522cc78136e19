"""The step of a job whose processors have their limits on record: typed in, read back, stored."""

from typing import Final

from django.utils.translation import gettext_noop as kept

from jobs.models import Gate, Job, JobStep

TEXT: Final = kept("Type the settings into each processor, read them back, store them.")


def add_entry_step(job: Job) -> JobStep | None:
    """Give a job with steps this one as its last, ticked by itself; None where it has no steps, or
    one that asks for the same. Call with the job locked."""
    steps = list(job.steps.values_list("order", "gate"))
    if not steps or any(gate == Gate.ENTERED for _, gate in steps):
        return None
    last = max(order for order, _ in steps)
    return JobStep.objects.create(
        job=job, order=last + 1, text=TEXT, gate=Gate.ENTERED, ticks_itself=True
    )
