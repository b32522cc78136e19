"""The plan of the day and the week: what it shows, moving a job on it, where there is room."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import given, strategies as st

from jobs.errors import AskFirst, ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import Job, TimeEntry, WorkKind
from jobs.reads.plan import day_plan, free_days, week_plan
from jobs.services.booking import shift
from jobs.services.lengths import usual_length, usual_of, worked
from shop.models import Absence, ClosedDays, OpenHours
from shop.roles import Role
from tests.factories import (
    BayFactory,
    VehicleFactory,
    VehicleModelFactory,
    make_job,
    make_staff,
)

HOUR = timedelta(hours=1)


DAY = timezone.make_aware(datetime.combine(timezone.localdate() + timedelta(days=3), time(0)))


def open_every_day() -> None:
    for weekday in range(7):
        OpenHours.objects.create(weekday=weekday, opens_at=time(8), closes_at=time(17))


def spans(day: date) -> list[list[tuple[int, str]]]:
    return [[(cell.span, str(cell.job or "")) for cell in row.cells] for row in day_plan(day).rows]


@pytest.mark.django_db
def test_a_bays_row_is_its_day_in_quarters_without_gaps() -> None:
    open_every_day()
    first, second = BayFactory(order=1), BayFactory(order=2)
    long = make_job(bay=first, starts_at=DAY + 9 * HOUR, hours=2.5)
    short = make_job(bay=first, starts_at=DAY + 11.5 * HOUR, hours=1 / 6)
    over_night = make_job(bay=second, starts_at=DAY + 16 * HOUR, hours=20)
    plan = day_plan(DAY.date())
    assert plan.hours[0] == "08:00"
    rows = spans(DAY.date())
    assert rows[0][:4] == [(4, ""), (10, str(long)), (1, str(short)), (plan.quarters - 15, "")]
    assert all(sum(span for span, _ in row) == plan.quarters for row in rows)
    assert plan.rows[1].cells[-1].goes_on
    assert plan.quarters == 36
    assert day_plan(DAY.date() + timedelta(days=1)).rows[1].cells[0].begun_before
    assert [job for _, job in rows[1] if job] == [str(over_night)]


@pytest.mark.django_db
def test_the_plan_says_who_is_away_and_who_is_on_two_cars() -> None:
    busy, away, idle = (make_staff(Role.TECHNICIAN, name=f"Sol Wren{n}") for n in range(3))
    first = make_job(starts_at=DAY + 9 * HOUR, hours=3, technician=busy)
    second = make_job(starts_at=DAY + 11 * HOUR, hours=3, technician=busy)
    alone = make_job(starts_at=DAY + 9 * HOUR, hours=3, technician=away)
    Absence.objects.create(person=away, first_day=DAY.date(), last_day=DAY.date(), why="Course")
    plan = day_plan(DAY.date())
    said = {cell.job.pk: cell.doubt for row in plan.rows for cell in row.cells if cell.job}
    assert said == {
        first.pk: f"Sol is also on {second}",
        second.pk: f"Sol is also on {first}",
        alone.pk: "Sol is away",
    }
    people = {one.person.pk: (one.booked, one.away) for one in plan.people}
    assert people == {
        busy.pk: (6 * HOUR, None),
        away.pk: (3 * HOUR, "Course"),
        idle.pk: (timedelta(), None),
    }


@pytest.mark.django_db
def test_the_week_shows_each_job_on_each_of_its_days() -> None:
    open_every_day()
    bay = BayFactory()
    fair = DAY.date() + timedelta(days=2)
    ClosedDays.objects.create(first_day=fair, last_day=fair, why="Fair")
    job = make_job(bay=bay, starts_at=DAY + 16 * HOUR, hours=20)
    (row,) = week_plan(DAY.date()).rows
    shown = [[(one.job.pk, one.goes_on) for one in cell.jobs] for cell in row.cells]
    assert shown == [[(job.pk, False)], [(job.pk, True)], [], [], [], [], []]
    assert [cell.free for cell in row.cells][:4] == [8 * HOUR, 5 * HOUR, timedelta(), 9 * HOUR]
    assert row.cells[2].closed == "Fair"


# Moving --------------------------------------------------------------------------------


@pytest.fixture
def desk() -> Any:
    return make_staff(Role.FRONT_DESK)


@pytest.mark.django_db
def test_a_move_keeps_the_length_and_the_promise_that_still_holds(desk: Any) -> None:
    job = make_job(starts_at=DAY + 9 * HOUR, hours=3)
    bay = BayFactory()
    moved = shift(job.pk, bay, DAY + 8 * HOUR, version=job.version, actor=desk)
    assert (moved.bay, moved.starts_at, moved.ends_at) == (bay, DAY + 8 * HOUR, DAY + 11 * HOUR)
    assert moved.promised_at == job.promised_at
    with pytest.raises(AskFirst, match="tell the customer") as asked:
        shift(job.pk, bay, DAY + 33 * HOUR, version=moved.version, actor=desk)
    moved = shift(
        job.pk,
        bay,
        DAY + 33 * HOUR,
        version=moved.version,
        actor=desk,
        confirmed=asked.value.token,
    )
    assert moved.promised_at == job.promised_at + 25 * HOUR
    assert moved.events.filter(code="job.changed").count() == 2


@pytest.mark.django_db
def test_a_refused_move_is_said_and_the_job_stands_where_it_was(client: Client, desk: Any) -> None:
    there = make_job(starts_at=DAY + 9 * HOUR, hours=3)
    job = make_job(starts_at=DAY + 13 * HOUR, hours=3)
    client.force_login(desk)
    data = {
        "bay": there.bay_id,
        "to": f"{DAY + 10 * HOUR:%Y-%m-%dT%H:%M}",
        "version": job.version,
        "day": f"{DAY:%Y-%m-%d}",
    }
    url = reverse("job_shift", args=[job.number])
    answer = client.post(url, data, headers={"hx-request": "true"})
    assert answer.status_code == 422
    assert f"taken by {there}" in answer.content.decode()
    assert "stays where it was" in answer.content.decode()
    for nonsense in ({"bay": "x"}, {"to": "yesterday"}, {"to": "2026-13-01T10:00"}, {"to": ""}):
        assert client.post(url, {**data, **nonsense}).status_code == 422
    job.refresh_from_db()
    assert job.starts_at == DAY + 13 * HOUR
    later = {**data, "bay": job.bay_id, "to": f"{DAY + 40 * HOUR:%Y-%m-%dT%H:%M}"}
    asked = client.post(url, later, headers={"hx-request": "true"})
    assert asked.status_code == 422
    assert "Move it all the same" in asked.content.decode()
    yes = {**later, "confirmed": asked.context["asked"].token}
    assert client.post(url, yes, headers={"hx-request": "true"}).status_code == 200
    job.refresh_from_db()
    assert job.starts_at == DAY + 40 * HOUR


@pytest.mark.django_db
def test_a_move_made_is_put_back_by_one_tap(client: Client, desk: Any) -> None:
    job = make_job(starts_at=DAY + 13 * HOUR, hours=3)
    client.force_login(desk)
    url = reverse("job_shift", args=[job.number])
    other = BayFactory()
    data = {"bay": other.pk, "to": f"{DAY + 9 * HOUR:%Y-%m-%dT%H:%M}", "version": job.version}
    answer = client.post(url, {**data, "day": f"{DAY:%Y-%m-%d}"}, headers={"hx-request": "true"})
    assert answer.status_code == 200
    assert "Put it back" in answer.content.decode()
    stood = answer.context["stood"]
    again = client.post(url, {**data, "day": ""}, headers={"hx-request": "true"})
    assert again.status_code == 422  # a repeat is on an old version
    back = {**stood, "version": answer.context["moved"].version, "day": f"{DAY:%Y-%m-%d}"}
    assert client.post(url, back, headers={"hx-request": "true"}).status_code == 200
    job.refresh_from_db()
    assert (job.bay_id, job.starts_at) == (stood["bay"], DAY + 13 * HOUR)
    client.force_login(make_staff(Role.TECHNICIAN))
    assert client.post(url, data).status_code == 403
    assert "data-plan-job" not in client.get(reverse("plan")).content.decode()


@pytest.mark.django_db(transaction=True)
def test_of_two_moves_at_once_into_one_place_one_is_refused() -> None:
    desk = make_staff(Role.FRONT_DESK)
    bay = BayFactory()
    jobs = [make_job(starts_at=DAY + 9 * HOUR, hours=2) for _ in range(2)]
    together = threading.Barrier(2)

    def go(job: Job) -> str:
        together.wait(10)
        try:
            shift(job.pk, bay, DAY + 9 * HOUR, version=job.version, actor=desk)
        except Refused:
            return "refused"
        finally:
            connections.close_all()
        return "moved"

    with ThreadPoolExecutor(2) as people:
        assert sorted(people.map(go, jobs)) == ["moved", "refused"]
    assert Job.objects.filter(bay=bay).count() == 1


@pytest.mark.django_db
def test_a_move_of_what_somebody_changed_meanwhile_is_not_made(desk: Any) -> None:
    job = make_job(starts_at=DAY + 9 * HOUR, hours=2)
    shift(job.pk, job.bay, DAY + 10 * HOUR, version=job.version, actor=desk)
    with pytest.raises(ChangedMeanwhile):
        shift(job.pk, job.bay, DAY + 11 * HOUR, version=job.version, actor=desk)


# Room ----------------------------------------------------------------------------------


@pytest.mark.django_db
def test_room_is_said_when_it_is_long_enough_to_the_minute() -> None:
    open_every_day()
    first, second = BayFactory(order=1), BayFactory(order=2)
    make_job(bay=first, starts_at=DAY + 10 * HOUR, hours=3)
    make_job(bay=second, starts_at=DAY + 8 * HOUR, hours=9)
    day, after = free_days(4 * HOUR, DAY.date(), 2)
    assert [(r.bay, r.starts_at, r.ends_at) for r in day.rooms] == [
        (first, DAY + 13 * HOUR, DAY + 17 * HOUR)
    ]
    assert len(after.rooms) == 2
    assert free_days(4 * HOUR + timedelta(minutes=1), DAY.date(), 1)[0].rooms == []
    whole_days = free_days(20 * HOUR, DAY.date(), 2)
    assert [len(one.rooms) for one in whole_days] == [0, 2]


@pytest.mark.django_db
def test_a_free_time_is_one_tap_away_and_leads_to_its_booking(client: Client) -> None:
    open_every_day()
    bay = BayFactory()
    kind = WorkKind.objects.create(name="Rear speakers")
    client.force_login(make_staff(Role.FRONT_DESK))
    address = reverse("free_times")
    assert address in client.get(reverse("customer_list")).content.decode()
    day = client.get(address, {"kind": kind.pk, "minutes": 120, "day": f"{DAY:%Y-%m-%d}"})
    room = day.context["days"][0].rooms[0]
    link = f"{reverse('book')}?{day.context['query']}&{room.query}"
    assert link.replace("&", "&amp;") in day.content.decode()
    form = client.get(link).context["form"]
    assert form["bay"].value() == bay.pk
    assert form["starts_at"].value() == DAY + 8 * HOUR
    assert form["ends_at"].value() == DAY + 10 * HOUR
    assert form["work_kind"].value() == kind.pk
    for nonsense in ({"minutes": "-5"}, {"day": "x"}, {"kind": "0"}, {"vehicle": "9" * 30}):
        assert client.get(address, nonsense).status_code == 200
    assert client.get(reverse("plan"), {"day": "1", "span": "year"}).status_code == 200


# Usual lengths -------------------------------------------------------------------------


def done(kind: WorkKind, hours: float, **more: Any) -> Job:
    technician = make_staff(Role.TECHNICIAN)
    job = make_job(Stage.IN_BAY, work_kind=kind, **more)
    ends = DAY
    TimeEntry.objects.create(
        job=job, technician=technician, started_at=ends - hours * HOUR, ended_at=ends
    )
    Job.objects.filter(pk=job.pk).update(stage=Stage.SIGNED_OFF)
    return job


@pytest.mark.django_db
def test_the_usual_length_is_of_the_kind_and_model_where_enough_were_done() -> None:
    kind, other = (WorkKind.objects.create(name=name) for name in ("Full system", "Camera"))
    model, rare = VehicleModelFactory(), VehicleModelFactory()
    assert usual_length(kind) is None
    for hours in (2, 3, 7):
        done(kind, hours, vehicle=VehicleFactory(vehicle_model=model))
    done(kind, 20, vehicle=VehicleFactory(vehicle_model=rare))
    done(other, 1, vehicle=VehicleFactory(vehicle_model=model))
    unfinished = make_job(Stage.IN_BAY, work_kind=kind)
    TimeEntry.objects.create(
        job=unfinished, technician=make_staff(Role.TECHNICIAN), started_at=DAY - HOUR, ended_at=DAY
    )
    on_model, anywhere = usual_length(kind, model), usual_length(kind, rare)
    assert on_model
    assert anywhere
    assert (on_model.middle, on_model.count) == (3 * HOUR, 3)
    assert (anywhere.middle, anywhere.count) == (5 * HOUR, 4)
    assert "few yet" in on_model.words
    assert usual_length(other, model) is None


minutes = st.integers(0, 2000)


@given(st.lists(st.tuples(minutes, minutes).map(sorted), max_size=8))
def test_time_with_two_people_at_once_counts_once(ends: list[list[int]]) -> None:
    """Against counting each minute in which somebody worked."""
    stretches = [(DAY + timedelta(minutes=a), DAY + timedelta(minutes=b)) for a, b in ends]
    counted = {minute for a, b in ends for minute in range(a, b)}
    assert worked(stretches) == timedelta(minutes=len(counted))


@given(st.lists(minutes, min_size=3, max_size=40))
def test_the_spread_is_that_of_numpy(values: list[int]) -> None:
    """numpy.quantile, method "linear", is definition 7 of Hyndman and Fan (1996)."""
    usual = usual_of([timedelta(minutes=value) for value in values], "All")
    assert usual
    wanted = np.quantile(values, [0.25, 0.5, 0.75])
    found = [length / timedelta(minutes=1) for length in (usual.low, usual.middle, usual.high)]
    assert found == pytest.approx(list(wanted), abs=1e-6)
    assert all(a <= b for a, b in pairwise(found))
