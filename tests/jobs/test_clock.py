"""Clocks: one for each technician, forgotten ones noticed, corrections that say why."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import ClockEnd, TimeEntry
from jobs.reads.clocks import time_on
from jobs.services import clock
from jobs.services.moves import move
from shop.models import OpenHours, Shop, StaffMember
from shop.roles import Role
from tests.clock import at
from tests.factories import make_job, make_shop, make_staff

pytestmark = pytest.mark.django_db

ZONE = ZoneInfo("Europe/London")
MORNING = datetime(2026, 3, 10, 9, 0, tzinfo=ZONE)
HOUR = timedelta(hours=1)


@pytest.fixture(autouse=True)
def shop_hours() -> None:
    make_shop(time_zone="Europe/London", longest_clock_h=10)
    for weekday in range(6):
        closes_at = time(13) if weekday == 5 else time(18)
        OpenHours.objects.create(weekday=weekday, opens_at=time(8), closes_at=closes_at)


@pytest.mark.parametrize(
    ("begins", "due"),
    [
        (datetime(2026, 3, 13, 9, tzinfo=ZONE), datetime(2026, 3, 13, 18, tzinfo=ZONE)),
        (datetime(2026, 3, 14, 9, tzinfo=ZONE), datetime(2026, 3, 14, 13, tzinfo=ZONE)),
        (datetime(2026, 3, 14, 13, tzinfo=ZONE), datetime(2026, 3, 14, 23, tzinfo=ZONE)),
        (datetime(2026, 3, 15, 9, tzinfo=ZONE), datetime(2026, 3, 15, 19, tzinfo=ZONE)),
    ],
    ids=["a weekday", "a short Saturday", "begun at closing time", "a day never open"],
)
def test_a_clock_is_due_when_the_shop_closes_that_day(
    technician: StaffMember, begins: datetime, due: datetime
) -> None:
    job = make_job(Stage.IN_BAY)
    entry = TimeEntry.objects.create(job=job, technician=technician, started_at=begins)
    assert clock.due_at(entry, Shop.objects.current()) == due
    OpenHours.objects.all().delete()
    if begins.hour < 13:
        unsaid = begins.replace(hour=19)
        assert clock.due_at(entry, Shop.objects.current()) == unsaid


@pytest.fixture
def technician() -> StaffMember:
    return make_staff(Role.TECHNICIAN)


def test_one_clock_runs_for_each_technician(technician: StaffMember, client: Client) -> None:
    first, second = make_job(Stage.IN_BAY), make_job(Stage.IN_BAY)
    with at(MORNING):
        clock.start(first.number, technician)
        clock.start(first.number, make_staff(Role.TECHNICIAN))
    with at(MORNING + HOUR):
        client.force_login(technician)
        said = client.post(
            reverse("clock_start", args=[second.number]), headers={"HX-Request": "true"}
        )

    assert f"Your clock on {first} is paused." in said.content.decode()
    paused, running = technician.time_entries.all()
    assert (paused.ended_by, paused.length()) == (ClockEnd.PAUSED, HOUR)
    assert (running.job, running.is_running) == (second, True)
    assert TimeEntry.objects.running().count() == 2
    with pytest.raises(IntegrityError), transaction.atomic():
        TimeEntry.objects.create(job=first, technician=technician, started_at=MORNING)


def test_pauses_are_not_counted(technician: StaffMember) -> None:
    job = make_job(Stage.IN_BAY)
    for hours, act in (
        (0, lambda: clock.start(job.number, technician)),
        (2, lambda: clock.end(job.number, technician, ClockEnd.PAUSED)),
        (3, lambda: clock.start(job.number, technician)),
        (4.5, lambda: clock.end(job.number, technician, ClockEnd.STOPPED)),
    ):
        with at(MORNING + hours * HOUR):
            act()

    assert time_on(job).total == 3.5 * HOUR
    told = job.events.order_by("pk").values_list("code", flat=True)
    assert list(told) == ["clock.started", "clock.paused", "clock.started", "clock.stopped"]


@pytest.mark.parametrize(
    ("starts", "forgotten_from"),
    [
        (MORNING, MORNING.replace(hour=18)),
        (MORNING.replace(hour=7), MORNING.replace(hour=17)),
        (MORNING.replace(hour=19), MORNING.replace(hour=19) + 10 * HOUR),
    ],
    ids=["closing time", "the longest clock", "begun after closing"],
)
def test_a_clock_that_runs_on_is_noticed(
    starts: datetime, forgotten_from: datetime, technician: StaffMember
) -> None:
    job = make_job(Stage.IN_BAY)
    with at(starts):
        entry = clock.start(job.number, technician).entry
    shop, minute = make_shop(), timedelta(minutes=1)

    assert not clock.is_overdue(entry, shop, forgotten_from - minute)
    assert clock.is_overdue(entry, shop, forgotten_from + minute)


def test_a_forgotten_clock_waits_for_its_end(technician: StaffMember) -> None:
    job, other = make_job(Stage.IN_BAY), make_job(Stage.IN_BAY)
    with at(MORNING):
        entry = clock.start(job.number, technician).entry
    with at(MORNING + 24 * HOUR):
        for act in (
            lambda: clock.start(other.number, technician),
            lambda: clock.end(job.number, technician, ClockEnd.STOPPED),
        ):
            with pytest.raises(Refused, match="first say when you stopped"):
                act()
        with pytest.raises(Refused, match="Only a manager"):
            clock.correct(entry.pk, make_staff(Role.TECHNICIAN), ended_at=MORNING + HOUR)
        with pytest.raises(Refused, match="still to come"):
            clock.correct(entry.pk, technician, ended_at=MORNING + 30 * HOUR)
        entry = clock.correct(entry.pk, technician, ended_at=MORNING + 8 * HOUR)

        assert (entry.forgotten, entry.length()) == (True, 8 * HOUR)
        with pytest.raises(Refused, match="Only a manager"):
            clock.correct(entry.pk, technician, ended_at=MORNING + 9 * HOUR)
        assert clock.start(other.number, technician).paused is None


def test_still_working_lets_the_clock_run_on(technician: StaffMember) -> None:
    job = make_job(Stage.IN_BAY)
    with at(MORNING):
        entry = clock.start(job.number, technician).entry
    with at(MORNING + 10 * HOUR):
        with pytest.raises(Refused):
            clock.still_working(entry.pk, make_staff(Role.MANAGER))
        clock.still_working(entry.pk, technician)
        ended = clock.end(job.number, technician, ClockEnd.STOPPED)

    assert ended is not None
    assert ended.length() == 10 * HOUR


def test_a_managers_correction_says_why_and_never_overlaps(technician: StaffMember) -> None:
    job, manager = make_job(Stage.IN_BAY), make_staff(Role.MANAGER)
    for begins in (MORNING, MORNING + 4 * HOUR):
        with at(begins):
            clock.start(job.number, technician)
        with at(begins + 2 * HOUR):
            clock.end(job.number, technician, ClockEnd.STOPPED)
    first, second = technician.time_entries.all()

    with pytest.raises(Refused, match="Say why"):
        clock.correct(first.pk, manager, ended_at=MORNING + 3 * HOUR)
    with pytest.raises(Refused, match="cannot overlap"):
        clock.correct(first.pk, manager, ended_at=second.started_at + HOUR, reason="Lunch")
    clock.correct(first.pk, manager, ended_at=MORNING + 3 * HOUR, reason="Stopped late")

    event = job.events.get(code="clock.corrected")
    assert event.actor == manager
    assert event.after["reason"] == "Stopped late"
    assert datetime.fromisoformat(event.before["ended_at"]) == MORNING + 2 * HOUR
    assert datetime.fromisoformat(event.after["ended_at"]) == MORNING + 3 * HOUR


def test_a_job_that_leaves_the_bay_stops_its_clocks(technician: StaffMember) -> None:
    job = make_job(Stage.IN_BAY)
    with at(MORNING):
        clock.start(job.number, technician)
    with at(MORNING + 3 * HOUR):
        move(job.pk, "hold", technician, "Waiting for a part")

    entry = job.time_entries.get()
    assert (entry.ended_by, entry.length(), entry.forgotten) == (ClockEnd.STOPPED, 3 * HOUR, False)


def test_a_clock_opens_to_its_technician_and_to_a_manager_alone(
    technician: StaffMember, client: Client
) -> None:
    job = make_job(Stage.IN_BAY)
    with at(MORNING):
        clock.start(job.number, technician)
    entry = technician.time_entries.get()
    url = reverse("clock_correct", args=[entry.pk])
    for person in (technician, make_staff(Role.MANAGER)):
        client.force_login(person)
        assert client.get(url).status_code == 200
    client.force_login(make_staff(Role.TECHNICIAN))
    for answer in (
        client.get(url, follow=True),
        client.post(url, {"ended_at": "2026-03-10T10:00", "reason": "x"}, follow=True),
        client.post(reverse("clock_still", args=[entry.pk]), follow=True),
    ):
        assert "That is the time of somebody else" in answer.content.decode()
        assert technician.name not in answer.content.decode()
    entry.refresh_from_db()
    assert (entry.is_running, entry.confirmed_at) == (True, None)
