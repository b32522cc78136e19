"""Saved setups offered beside a job and beside a car that is being booked."""

from typing import Any

from django import template

from jobs.lifecycle import PLAN_OPEN, SIGNED
from jobs.models import Channel, Job
from jobs.setups.apply import to_reconfirm
from jobs.setups.find import best_matches, matches_for
from shop.models import StaffMember, Vehicle
from shop.roles import BENCH, has_role

register = template.Library()


@register.inclusion_tag("setups/offer.html")
def setup_offer(job: Job, user: StaffMember) -> dict[str, Any]:
    """The setups nearest to the job while its plan is open; afterwards what can be learned."""
    still_open = job.stage in PLAN_OPEN
    bench = has_role(user, BENCH)
    learn = []
    if job.stage in SIGNED and not job.correction and user.is_manager:
        learn = list(job.setup_uses.filter(learned_at=None).select_related("setup"))
    return {
        "job": job,
        "matches": matches_for(job) if still_open else [],
        "may_apply": bench and still_open,
        "parts_open": job.takes_changes,
        "learn": learn,
    }


@register.inclusion_tag("setups/offer_booking.html")
def setups_for_vehicle(vehicle: Vehicle) -> dict[str, Any]:
    """The setups nearest to a car that is being booked."""
    return {"matches": best_matches(vehicle.vehicle_model, vehicle.year, most=3)}


@register.inclusion_tag("setups/reconfirm.html")
def reconfirm_mark(sheet: Any, channel: Channel) -> dict[str, Any]:
    """A mark on a channel whose wire colours came from a setup, until proved in this car."""
    if channel.polarity_proved is not None:
        return {"wanted": False}
    if not hasattr(sheet, "to_reconfirm"):
        sheet.to_reconfirm = to_reconfirm(sheet.job)
    return {"wanted": channel.pk in sheet.to_reconfirm}
