"""The plan of the day and the week, moving a job on it, and where there is room."""

from datetime import date, timedelta
from typing import Any, Final
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs import wording
from jobs.errors import AskFirst, Refused
from jobs.models import Job, WorkKind
from jobs.reads.plan import WEEK, day_plan, free_days, week_plan
from jobs.services.booking import shift
from jobs.services.lengths import usual_length
from shop import branches
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models import Bay, Vehicle
from shop.roles import DESK
from shop.typed import as_typed, day as day_of, moment, one_of, row_key, row_version, token, whole

DAY, WEEKLY = "day", "week"
SHOWN: Final = 10
"""Days looked at for room."""

UNKNOWN_MIN: Final = 240
"""The length asked for where the shop's clocks say nothing yet."""

LONGEST_MIN: Final = 60 * 24 * 5


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _context(given: Any, user: Any, **more: Any) -> dict[str, Any]:
    day = day_of(given.get("day")) or timezone.localdate()
    span = one_of(given.get("span"), (DAY, WEEKLY)) or DAY
    step = WEEK if span == WEEKLY else 1
    first = _monday(day) if span == WEEKLY else day
    return {
        "day": day,
        "today": timezone.localdate(),
        "span": span,
        "previous": first - timedelta(days=step),
        "next": first + timedelta(days=step),
        "plan": week_plan(first) if span == WEEKLY else day_plan(day),
        "may_move": not user.roles.isdisjoint(DESK),
        **more,
    }


@allow_any_staff
def plan(request: Request) -> HttpResponse:
    """The bays by time; `day` and `span` come in the address."""
    context = _context(request.GET, request.user)
    template = "plan/plan.html" if request.headers.get("HX-Target") == "plan" else "plan/page.html"
    return render(request, template, context)


@allow(*DESK)
@require_POST
def job_shift(request: Request, number: int) -> HttpResponse:
    """Move a job on the plan. A refusal is said above the plan, which shows it where it stands."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    data = request.POST
    bay = Bay.objects.filter(branches.own(), pk=row_key(data.get("bay")) or 0).first()
    to_day, _, to_time = (data.get("to") or "").partition("T")
    starts_at = moment(to_day, to_time)
    more: dict[str, Any] = {}
    stood = {"bay": job.bay_id, "to": as_typed(job.starts_at)}
    try:
        if bay is None or starts_at is None:
            raise Refused(gettext("Move the job onto a bay and a time of the plan."))
        moved = shift(
            job.pk,
            bay,
            starts_at,
            version=row_version(data.get("version")),
            actor=request.user,
            confirmed=token(data.get("confirmed")),
        )
    except AskFirst as asked:
        more = {"asked": asked, "wanted": {"bay": data.get("bay"), "to": data.get("to")}}
    except Refused as refused:
        more = {"refused": refused.reasons}
    else:
        if data.get("day") is None:
            return redirect(f"{reverse('plan')}?day={as_typed(moved.starts_at)[:10]}")
        words = gettext("%(job)s is in %(bay)s from %(when)s now.") % {
            "job": moved,
            "bay": moved.bay,
            "when": wording.dated(moved.starts_at),
        }
        more = {"moved": moved, "words": words, "stood": stood}
        if moved.version == job.version:
            more = {}
    status = 422 if "asked" in more or "refused" in more else 200
    context = _context(data, request.user, job=job, **more)
    template = "plan/plan.html" if request.htmx else "plan/page.html"
    return render(request, template, context, status=status)


@allow(*DESK)
def free_times(request: Request) -> HttpResponse:
    """Where there is room for a kind of work, the next days; each room leads to a booking."""
    asked = request.GET
    kinds = list(WorkKind.objects.in_use())
    kind = next((one for one in kinds if one.pk == row_key(asked.get("kind"))), None)
    cars = Vehicle.objects.select_related("vehicle_model")
    car = cars.filter(pk=row_key(asked.get("vehicle")) or 0).first()
    usual = usual_length(kind, car.vehicle_model if car else None)
    minutes = whole(asked.get("minutes"), 15, LONGEST_MIN)
    if minutes is None:
        minutes = usual.minutes if usual else UNKNOWN_MIN
    first = max(day_of(asked.get("day")) or timezone.localdate(), timezone.localdate())
    length = timedelta(minutes=minutes)
    work = {"kind": kind, "vehicle": car}
    of_work = {name: one.pk for name, one in work.items() if one}
    context = {
        "kinds": kinds,
        "kind": kind,
        "car": car,
        "usual": usual,
        "length": length,
        "minutes": minutes,
        "lengths": sorted({60, 120, 180, 240, 300, 360, 480, 600, minutes}),
        "days": free_days(length, first, SHOWN),
        "work_query": urlencode(of_work),
        "query": urlencode({"minutes": minutes, **of_work}),
        "later": first + timedelta(days=SHOWN),
        "first": first,
        "no_bays": not Bay.objects.in_use().exists(),
    }
    return render(request, "plan/free.html", context)
