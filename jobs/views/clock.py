"""The clock on a job: start, pause, stop, and putting forgotten times right."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.clock import CorrectForm
from jobs.models import ClockEnd, Job, TimeEntry
from jobs.reads.clocks import running_clocks, times_listed
from jobs.services import clock
from jobs.services.branches import is_own_clock, of_time
from jobs.templatetags.clock import bar_context
from shop.access import allow
from shop.branches import is_elsewhere
from shop.http import Request
from shop.models import StaffMember
from shop.roles import BENCH, Role
from shop.typed import own_path, token

bench = allow(*BENCH)
bench_of_clock = allow(*BENCH, of=of_time, own=is_own_clock)
bench_or_own = allow(*BENCH, own=is_own_clock)


def _actor(request: Request) -> StaffMember:
    assert isinstance(request.user, StaffMember)
    return request.user


def _back(request: Request, default: str) -> str:
    """Where the person came from, when that is a page of ours."""
    return own_path(request.POST.get("next")) or default


def _page_of(job: Job) -> str:
    """The job, or the list of times where the person works in its branch no more."""
    if is_elsewhere(job.bay.branch_id):
        return reverse("clock_list")
    return job.get_absolute_url()


def _act(request: Request, number: int, act: Callable[[], str]) -> HttpResponse:
    """Do it and show the bar again; what was refused is said in the bar."""
    job = get_object_or_404(Job, number=number)
    text, refused = "", False
    try:
        text = act()
    except Refused as error:
        text, refused = str(error), True
    if not request.htmx:
        if text:
            (messages.error if refused else messages.success)(request, text)
        return redirect(_back(request, _page_of(job)))
    context = bar_context(request, job, said=text, refused=refused)
    html = render_to_string("clock/bar.html", context, request)
    own = next((c for c in running_clocks(request.shop, _actor(request)) if c.mine), None)
    html += render_to_string("clock/running.html", {"clock": own, "oob": True})
    return HttpResponse(html, status=422 if refused else 200)


def _own_or_managed(request: Request, pk: int) -> TimeEntry | None:
    """One's own clock, or anybody's for a manager; None, said in a message, for another's."""
    entry = get_object_or_404(TimeEntry.objects.with_names(), pk=pk)
    person = _actor(request)
    if entry.technician_id == person.pk or Role.MANAGER in person.roles:
        return entry
    messages.error(request, gettext("That is the time of somebody else: ask a manager."))
    return None


@bench
@require_POST
def clock_start(request: Request, number: int) -> HttpResponse:
    """Start one's clock here; another that runs is paused, and the bar says so."""

    def act() -> str:
        started = clock.start(number, _actor(request), token(request.POST.get("key")))
        return f"Your clock on {started.paused.job} is paused." if started.paused else ""

    return _act(request, number, act)


@bench_or_own
@require_POST
def clock_pause(request: Request, number: int) -> HttpResponse:
    """Pause one's clock here."""

    def act() -> str:
        clock.end(number, _actor(request), ClockEnd.PAUSED, token(request.POST.get("key")))
        return ""

    return _act(request, number, act)


@bench_or_own
@require_POST
def clock_stop(request: Request, number: int) -> HttpResponse:
    """Stop one's clock here."""

    def act() -> str:
        clock.end(number, _actor(request), ClockEnd.STOPPED, token(request.POST.get("key")))
        return ""

    return _act(request, number, act)


@bench_of_clock
@require_POST
def clock_still(request: Request, pk: int) -> HttpResponse:
    """Say that the clock runs rightly: the work still goes on."""
    entry = _own_or_managed(request, pk)
    if entry is None:
        return redirect("clock_list")
    try:
        clock.still_working(pk, _actor(request))
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, gettext("Your clock runs on."))
    return redirect(_back(request, _page_of(entry.job)))


@bench
@require_safe
def clock_list(request: Request) -> HttpResponse:
    """Who is on what now, and the times of the last two weeks; a technician sees their own."""
    person = _actor(request)
    manager = Role.MANAGER in person.roles
    running = running_clocks(request.shop, person)
    context = {
        "running": running if manager else [one for one in running if one.mine],
        "days": times_listed(person, everybody=manager),
        "manager": manager,
    }
    return render(request, "clock/list.html", context)


def _same(typed: datetime | None, kept: datetime | None) -> datetime | None:
    """What was typed, or what is kept when the typed minute is the same."""
    if typed is None or kept is None:
        return typed
    return kept if kept.replace(second=0, microsecond=0) == typed else typed


@bench_of_clock
def clock_correct(request: Request, pk: int) -> HttpResponse:
    """Put the times of a clock right; for a forgotten one, say when the work ended."""
    entry = _own_or_managed(request, pk)
    if entry is None:
        return redirect("clock_list")
    person, shop = _actor(request), request.shop
    overdue = clock.is_overdue(entry, shop)
    own = overdue and entry.technician_id == person.pk
    may = clock.may_correct(entry, person, shop)
    guess = min(clock.due_at(entry, shop), timezone.now()) if overdue else entry.ended_at
    form = CorrectForm(
        request.POST or None,
        entry=entry,
        manager=Role.MANAGER in person.roles,
        own=own,
        initial=CorrectForm.initial_of(entry, guess),
    )
    if request.method == "POST" and may and form.is_valid():
        data: dict[str, Any] = form.cleaned_data
        try:
            clock.correct(
                pk,
                person,
                started_at=_same(data.get("started_at"), entry.started_at),
                ended_at=_same(data["ended_at"], entry.ended_at),
                reason=data["reason"],
                note=data["note"],
            )
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(
                request, gettext("The time on %(job)s is put right.") % {"job": entry.job}
            )
            return redirect(_page_of(entry.job))
    context = {"form": form, "entry": entry, "overdue": overdue, "own": own, "may": may}
    context["back"] = _page_of(entry.job)
    return render(request, "clock/correct.html", context, status=422 if form.errors else 200)
