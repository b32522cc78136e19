"""Of which branch something of a job is: that of its bay."""

from jobs.models import Job, TimeEntry


def of_job(number: int) -> frozenset[int]:
    """The branch of a job; nothing where there is no such job."""
    return frozenset(Job.objects.filter(number=number).values_list("bay__branch_id", flat=True))


def of_time(pk: int) -> frozenset[int]:
    """The branch of the job on which a clock ran."""
    return frozenset(TimeEntry.objects.filter(pk=pk).values_list("job__bay__branch_id", flat=True))
