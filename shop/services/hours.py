"""Writing the shop's hours: one function, one transaction, each change in the shop's log."""

from datetime import date, time

from django.db import transaction

from shop.models import Branch, OpenHours, Shop, StaffMember, WorkedHoliday
from shop.services import events


def _lock() -> None:
    Shop.objects.select_for_update().get(pk=Shop.objects.current().pk)


@transaction.atomic
def save_week(hours: dict[int, tuple[time, time]], branch: Branch, actor: StaffMember) -> None:
    """Set the opening hours of a branch by weekday; a day that is not among them is closed."""
    _lock()
    stands = {row.weekday: row for row in OpenHours.objects.filter(branch=branch)}
    for weekday, row in stands.items():
        if weekday not in hours:
            events.delete(row, actor)
    for weekday, (opens_at, closes_at) in hours.items():
        row = stands.get(weekday) or OpenHours(branch=branch, weekday=weekday)
        row.opens_at, row.closes_at = opens_at, closes_at
        events.save(row, actor)


@transaction.atomic
def work_holiday(day: date, works: bool, actor: StaffMember) -> None:
    """Open on a public holiday all the same, or keep it after all; a repeat changes nothing."""
    _lock()
    row = WorkedHoliday.objects.filter(day=day).first()
    if works and row is None:
        events.save(WorkedHoliday(day=day), actor)
    elif not works and row is not None:
        events.delete(row, actor)
