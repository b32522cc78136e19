"""Of which branch something of a job is: that of its bay."""

from typing import Any

from jobs.models import ClockEnd, Job, TimeEntry


def of_job(number: int) -> frozenset[int]:
    """The branch of a job; nothing where there is no such job."""
    return frozenset(Job.objects.filter(number=number).values_list("bay__branch_id", flat=True))


def is_own_clock(person: Any, named: dict[str, Any]) -> bool:
    """Whether what is named is a clock of the person that runs, or a job on which theirs runs or is
    paused: it is theirs to stop wherever they work by now."""
    own = TimeEntry.objects.filter(technician=person)
    if "pk" in named:
        return own.filter(pk=named["pk"], ended_at=None).exists()
    last = own.filter(job__number=named["number"]).order_by("pk").last()
    return last is not None and (last.is_running or last.ended_by == ClockEnd.PAUSED)


def of_time(pk: int) -> frozenset[int]:
    """The branch of the job on which a clock ran."""
    return frozenset(TimeEntry.objects.filter(pk=pk).values_list("job__bay__branch_id", flat=True))
