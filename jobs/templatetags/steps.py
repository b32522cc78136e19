"""The steps of a job on its page: how far they are, and which kind of work it is."""

from typing import Any

from django import template

from jobs.lifecycle import BEFORE_REVIEW
from jobs.models import Job, StepOutcome, WorkKind

register = template.Library()


@register.inclusion_tag("steps/card.html", takes_context=True)
def steps_card(context: dict[str, Any], job: Job) -> dict[str, Any]:
    """Kind of work, steps done of all, and the one whose turn it is."""
    steps = list(job.steps.select_related("outcome_by"))
    waiting = [step for step in steps if step.outcome == StepOutcome.TO_DO]
    return {
        "job": job,
        "user": context["request"].user,
        "done": len(steps) - len(waiting),
        "total": len(steps),
        "next": waiting[0] if waiting else None,
        "kinds": WorkKind.objects.in_use(),
        "kind_open": job.stage in BEFORE_REVIEW,
        "odd": [step for step in steps if step.reason and step.outcome],
    }
