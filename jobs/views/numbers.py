"""The manager's numbers: one page, each figure open to its jobs, and all of it as CSV."""

from datetime import timedelta
from typing import Any, Final

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop as kept, ngettext
from django.views.decorators.http import require_safe

from jobs import wording
from jobs.models import Job
from jobs.reads.numbers import FEW, SPANS, Figure, Numbers, Week, numbers
from shop.access import allow
from shop.bars import Bar, bars
from shop.catalogue.spreadsheets import csv_bytes
from shop.http import Request
from shop.paging import page_of
from shop.roles import Role
from shop.services import sign_in
from shop.typed import day as day_of, whole

LISTS: Final = (
    ("came_back_by_model", kept("Came back, by vehicle model"), kept("done on it")),
    ("causes", kept("Comebacks booked, by cause"), kept("comebacks")),
    ("findings", kept("Most frequent findings on signed sheets"), kept("sheets")),
    ("points", kept("Sent back most often for"), kept("jobs sent back")),
)
"""The lists of the page: where they stand in the numbers, their title, what they are of."""


def _asked(request: Request) -> tuple[Numbers, str]:
    """The numbers that the address asks for, and the rest of an address that asks for them."""
    today = timezone.localdate()
    until = min(day_of(request.GET.get("until")) or today, today)
    asked = whole(request.GET.get("weeks"))
    weeks = asked if asked in SPANS else SPANS[0]
    return numbers(request.shop, until, weeks), f"?weeks={weeks}&until={until.isoformat()}"


def _opens(key: str, query: str) -> str:
    return f"{reverse('numbers_jobs', args=[key])}{query}"


def _week_said(week: Week) -> str:
    jobs = len(week.jobs)
    facts = {
        "day": wording.day(week.first_day),
        "jobs": ngettext("%(count)s job", "%(count)s jobs", jobs) % {"count": jobs},
        "late": week.late,
        "worked": _hours(week.worked_h),
        "booked": _hours(week.booked_h),
    }
    if week.late:
        said = gettext(
            "Week of %(day)s: %(jobs)s, %(late)s late; %(worked)s worked, %(booked)s booked"
        )
    else:
        said = gettext("Week of %(day)s: %(jobs)s; %(worked)s worked, %(booked)s booked")
    return said % facts


def _hours(hours: float) -> str:
    return wording.quantity(hours, "h", 1)


def _plots(found: Numbers, query: str) -> dict[str, str]:
    labels = [wording.day(week.first_day).rpartition(" ")[0] for week in found.weeks]
    of_jobs, of_hours = (
        [
            Bar(label, values(week), _week_said(week), _opens(week.key, query))
            for label, week in zip(labels, found.weeks, strict=True)
        ]
        for values in (
            lambda week: (len(week.on_time), week.late),
            lambda week: (week.worked_h, week.booked_h),
        )
    )
    return {
        "jobs_plot": bars(of_jobs, title=gettext("Jobs signed a week"), stacked=True, whole=True),
        "hours_plot": bars(of_hours, title=gettext("Hours worked and booked a week")),
    }


@allow(Role.MANAGER)
@require_safe
def numbers_page(request: Request) -> HttpResponse:
    """Weeks, promises, comebacks, findings; of 13, 26 or 52 weeks."""
    found, query = _asked(request)
    context = {
        "found": found,
        "query": query,
        "shares": found.singles,
        "lists": [(title, of, getattr(found, name)) for name, title, of in LISTS],
        "spans": SPANS,
        "few": FEW,
        "before": (found.first_day - timedelta(days=1)).isoformat(),
        **_plots(found, query),
    }
    return render(request, "numbers/page.html", context)


@allow(Role.MANAGER)
@require_safe
def numbers_jobs(request: Request, key: str) -> HttpResponse:
    """The jobs that one figure counts."""
    found, query = _asked(request)
    figure = found.figures.get(key)
    if figure is None:
        raise Http404(gettext("Nothing is counted under this name in these weeks."))
    jobs = Job.objects.filter(pk__in=figure.jobs).with_names().order_by("-number")
    context = {"figure": figure, "page": page_of(request, jobs), "query": query, "found": found}
    return render(request, "numbers/jobs.html", context)


def _rows(found: Numbers) -> list[list[Any]]:
    rows: list[list[Any]] = [
        ["Group", "What", "Jobs", "Of", "Share %", "On time", "Hours worked", "Hours booked"]
    ]

    def line(group: str, one: Figure) -> None:
        share = "" if one.share is None else round(100 * one.share, 1)
        rows.append([group, one.label, one.count, "" if one.of is None else one.of, share])

    for week in found.weeks:
        hours = [round(week.worked_h, 2), round(week.booked_h, 2)]
        jobs = len(week.jobs)
        rows.append(["Week", week.first_day, jobs, "", "", len(week.on_time), *hours])
    for one in found.singles:
        line("All weeks", one)
    for name, title, _ in LISTS:
        for one in getattr(found, name):
            line(title, one)
    return [[*row, *[""] * (len(rows[0]) - len(row))] for row in rows]


@allow(Role.MANAGER, again=True)
@require_safe
def numbers_csv(request: Request) -> HttpResponse:
    """Everything on the page as one table."""
    found, _ = _asked(request)
    name = f"numbers-of-{len(found.weeks)}-weeks.csv"
    sign_in.log_export(request, name)
    return HttpResponse(
        csv_bytes(_rows(found)),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )
