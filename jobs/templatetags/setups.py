"""Saved setups offered beside a job."""

from typing import Any

from django import template

from jobs.lifecycle import SHEET_OPEN, Stage
from jobs.models import Job
from jobs.services.setups import setups_for
from shop.models import StaffMember
from shop.roles import Role

register = template.Library()


@register.inclusion_tag("setups/offer.html")
def setup_offer(job: Job, user: StaffMember) -> dict[str, Any]:
    """The setups of the job's vehicle model, while the job's plan is still open."""
    still_open = job.stage in SHEET_OPEN | {Stage.BOOKED}
    bench = not user.roles.isdisjoint({Role.TECHNICIAN, Role.MANAGER})
    return {
        "job": job,
        "setups": setups_for(job.vehicle.vehicle_model) if still_open else [],
        "may_apply": bench and job.stage in SHEET_OPEN,
    }
