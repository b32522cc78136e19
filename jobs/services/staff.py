"""A staff member who leaves hands everything over in one step."""

from dataclasses import dataclass

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.lifecycle import HOLDS_A_BAY
from jobs.models import Job, TimeEntry
from jobs.services.booking import Slot, doubts
from jobs.services.clock import stop_all_of
from jobs.services.events import log
from shop.models import StaffMember


@dataclass(frozen=True)
class HandedOver:
    """What was handed over, and what somebody should look at."""

    jobs: list[Job]
    stopped: list[TimeEntry]
    doubts: list[str]


def open_jobs_of(person: StaffMember) -> list[Job]:
    """The jobs that are still to be done by a person, the next first."""
    jobs = Job.objects.filter(technician=person, stage__in=HOLDS_A_BAY)
    return list(jobs.with_names().order_by("starts_at", "number"))


@transaction.atomic
def hand_over(person: StaffMember, to: StaffMember | None, actor: StaffMember) -> HandedOver:
    """Give all open jobs of a person to another, or to nobody yet, and stop their clock.

    Times at which the other is away or on another job are allowed and told afterwards. Raises
    Refused when the other is the same person or does no bench work.
    """
    if to is not None and to.pk == person.pk:
        raise Refused(gettext("Choose somebody else, or nobody yet."))
    if to is not None and not (to.is_technician and to.is_active):
        raise Refused(
            gettext("%(to)s takes no jobs: choose a technician who may sign in.") % {"to": to}
        )
    wanted = Job.objects.select_for_update(of=("self",)).filter(
        technician=person, stage__in=HOLDS_A_BAY
    )
    jobs = list(wanted.select_related("bay").order_by("pk"))
    running = person.time_entries.running().values_list("job_id", flat=True)
    list(Job.objects.select_for_update(of=("self",)).filter(pk__in=running).order_by("pk"))
    stopped = stop_all_of(person, actor)
    said: list[str] = []
    for job in jobs:
        if to is not None:
            slot = Slot(job.bay, job.starts_at, job.ends_at)
            said += [f"{job}: {one}" for one in doubts(slot, None, to, job) if str(to) in one]
        job.technician = to
        job.version += 1
        job.save(update_fields=["technician", "version"])
        log(
            job,
            actor,
            "job.changed",
            before={"technician": str(person)},
            after={"technician": str(to) if to else ""},
        )
    return HandedOver(jobs, stopped, said)
