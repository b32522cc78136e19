"""When the shop is open: hours by weekday, public holidays, closed days, people who are away."""

from datetime import timedelta
from typing import Any, Final

from django.contrib import messages
from django.forms import BaseForm
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from shop import branches, wording
from shop.access import allow
from shop.forms.hours import AbsenceForm, ClosedForm, HolidayForm, WeekForm
from shop.hours import holidays_of
from shop.http import Request
from shop.models import Absence, ClosedDays, Shop, StaffMember, WorkedHoliday
from shop.roles import Role
from shop.services import events
from shop.services.branches import looked_at, of_absence, of_closed
from shop.services.hours import save_week, work_holiday
from shop.typed import day as day_of

HOLIDAYS_SHOWN: Final = 12


def _page(request: Request, status: int = 200, **bound: BaseForm) -> HttpResponse:
    today = timezone.localdate()
    shop = Shop.objects.current()
    named = {**holidays_of(shop, today.year), **holidays_of(shop, today.year + 1)}
    coming = [(day, named[day]) for day in sorted(named) if day >= today][:HOLIDAYS_SHOWN]
    worked = set(WorkedHoliday.objects.filter(day__gte=today).values_list("day", flat=True))
    context: dict[str, Any] = {
        "week": WeekForm(),
        "holiday_form": HolidayForm(instance=shop),
        "holidays": [(day, name, day in worked) for day, name in coming],
        "closed_form": ClosedForm(),
        "closed_days": ClosedDays.objects.filter(
            branches.shown(), last_day__gte=today - timedelta(days=31)
        ),
        "away_form": AbsenceForm(),
        "absences": Absence.objects.select_related("person").filter(
            person__in=StaffMember.objects.filter(branches.people()),
            last_day__gte=today - timedelta(days=31),
        ),
        **bound,
    }
    return render(request, "settings/hours.html", context, status=status)


def _done(request: Request, words: str) -> HttpResponse:
    messages.success(request, words)
    return redirect("hours")


@allow(Role.MANAGER, password=True)
def hours(request: Request) -> HttpResponse:
    """The shop's calendar; posting saves the week."""
    if request.method != "POST":
        return _page(request)
    week = WeekForm(request.POST)
    if not week.is_valid():
        return _page(request, 422, week=week)
    save_week(week.hours, looked_at(request), request.user)
    return _done(request, "The opening hours are saved.")


@allow(Role.MANAGER, password=True)
@require_POST
def holidays_save(request: Request) -> HttpResponse:
    """Whose public holidays the shop keeps."""
    form = HolidayForm(request.POST, instance=Shop.objects.current())
    if not form.is_valid():
        return _page(request, 422, holiday_form=form)
    events.save(form.save(commit=False), request.user, only=list(form.fields))
    return _done(request, "The public holidays are saved.")


@allow(Role.MANAGER, password=True)
@require_POST
def holiday_work(request: Request) -> HttpResponse:
    """Open on one public holiday all the same, or not after all."""
    day = day_of(request.POST.get("day"))
    if day is None:
        messages.error(request, gettext("Choose one of the holidays below."))
        return redirect("hours")
    works = "works" in request.POST
    work_holiday(day, works, request.user)
    return _done(request, f"{'Open' if works else 'Closed'} on {wording.day(day)}.")


@allow(Role.MANAGER, password=True)
@require_POST
def closed_add(request: Request) -> HttpResponse:
    """Days on which the shop is closed."""
    form = ClosedForm(request.POST, instance=ClosedDays(branch=looked_at(request)))
    if not form.is_valid():
        return _page(request, 422, closed_form=form)
    events.save(form.save(commit=False), request.user)
    return _done(request, "The closed days are saved. Bookings on them stay: look at the plan.")


@allow(Role.MANAGER, password=True, of=of_closed)
@require_POST
def closed_remove(request: Request, pk: int) -> HttpResponse:
    """Open on those days after all."""
    events.delete(get_object_or_404(ClosedDays, pk=pk), request.user)
    return _done(request, "Those days are open again.")


@allow(Role.MANAGER, password=True)
@require_POST
def absence_add(request: Request) -> HttpResponse:
    """Days on which somebody is away."""
    form = AbsenceForm(request.POST)
    if not form.is_valid():
        return _page(request, 422, away_form=form)
    saved = events.save(form.save(commit=False), request.user)
    return _done(request, f"{saved.person} is away then. Bookings stay: look at the plan.")


@allow(Role.MANAGER, password=True, of=of_absence)
@require_POST
def absence_remove(request: Request, pk: int) -> HttpResponse:
    """They are there after all."""
    row = get_object_or_404(Absence.objects.select_related("person"), pk=pk)
    events.delete(row, request.user)
    return _done(request, f"{row.person} is there then.")
