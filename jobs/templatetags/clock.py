"""Clocks in the templates: the bar of the bay sheet, the running clock, the time on a job."""

from datetime import timedelta
from typing import Any

from django import template

from jobs.models import Job
from jobs.reads.clocks import RunningClock, job_clock, running_clocks, time_on
from shop.http import Request
from shop.roles import BENCH, Role, has_role

register = template.Library()


@register.filter
def seconds(length: timedelta) -> int:
    """A length of time in whole seconds."""
    return int(length.total_seconds())


def bar_context(request: Request, job: Job, **more: Any) -> dict[str, Any]:
    """What the clock bar of a job shows to the person."""
    on_the_bench = has_role(request.user, BENCH)
    return {
        "job": job,
        "clock": job_clock(job, request.user, request.shop) if on_the_bench else None,
        **more,
    }


@register.inclusion_tag("clock/bar.html", takes_context=True)
def clock_bar(context: dict[str, Any], job: Job) -> dict[str, Any]:
    """Start, pause and stop of the person's clock on this job."""
    return bar_context(context["request"], job)


def _clocks(context: dict[str, Any]) -> list[RunningClock]:
    """Running clocks, for those who do bench work; read once a request."""
    request = context.get("request")
    user = getattr(request, "user", None)
    if user is None or not has_role(user, BENCH):
        return []
    kept: dict[str, list[RunningClock]] = vars(request)
    if "running_clocks" not in kept:
        kept["running_clocks"] = running_clocks(context["request"].shop, user)
    return kept["running_clocks"]


@register.inclusion_tag("clock/running.html", takes_context=True)
def clock_running(context: dict[str, Any]) -> dict[str, Any]:
    """The person's own running clock, for the top bar."""
    return {"clock": next((clock for clock in _clocks(context) if clock.mine), None)}


@register.inclusion_tag("clock/notice.html", takes_context=True)
def clock_notice(context: dict[str, Any]) -> dict[str, Any]:
    """Clocks that seem forgotten: to their technician, and to managers, several in one line."""
    clocks = [clock for clock in _clocks(context) if clock.overdue]
    request = context["request"]
    if clocks and not has_role(request.user, frozenset({Role.MANAGER})):
        clocks = [clock for clock in clocks if clock.mine]
    if request.resolver_match and request.resolver_match.url_name == "clock_correct":
        clocks = []
    others = [clock for clock in clocks if not clock.mine]
    return {"mine": [clock for clock in clocks if clock.mine], "others": others}


@register.inclusion_tag("clock/card.html", takes_context=True)
def clock_card(context: dict[str, Any], job: Job) -> dict[str, Any]:
    """The time kept on a job, by technician."""
    user = context["request"].user
    return {
        "time": time_on(job),
        "manager": has_role(user, frozenset({Role.MANAGER})),
    }
