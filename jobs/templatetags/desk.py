"""How the front desk's pages say a moment and a promise."""

from datetime import datetime, timedelta

from django import template
from django.utils import timezone
from django.utils.formats import date_format

from jobs.models import Job

register = template.Library()


@register.filter
def moment(value: datetime | None) -> str:
    """A moment in the shop's time as people say it: today 16:00, Thu 27 Nov 09:00."""
    if value is None:
        return ""
    local = timezone.localtime(value)
    days = (local.date() - timezone.localdate()).days
    names = {-1: "yesterday", 0: "today", 1: "tomorrow"}
    if days in names:
        return f"{names[days]} {local:%H:%M}"
    same_year = local.year == timezone.localdate().year
    return date_format(local, "D j M H:i" if same_year else "D j M Y H:i")


@register.filter
def lateness(job: Job) -> str:
    """How late a job is, in the largest unit that fits: 20 min, 3 h, 2 days."""
    late = timezone.now() - job.promised_at
    if late < timedelta(hours=1):
        return f"{max(int(late.total_seconds() // 60), 1)} min"
    if late < timedelta(days=1):
        return f"{int(late.total_seconds() // 3600)} h"
    return f"{late.days} day{'' if late.days == 1 else 's'}"


@register.filter
def readiness(job: Job) -> str:
    """The short answer to "is it ready?": yes, gone, no, or not coming."""
    return {"signed_off": "ready", "collected": "gone", "cancelled": "off"}.get(
        job.stage, "not_yet"
    )
