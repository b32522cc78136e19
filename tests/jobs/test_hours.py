"""Opening hours, closed days, people away or busy: nothing is booked against them unasked."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import AskFirst, Refused
from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.reads.board import bay_days, first_free, live_jobs
from jobs.services.booking import Slot, book, change_booking, doubts
from jobs.services.moves import move
from shop.hours import Calendar, holidays_of
from shop.models import Absence, Branch, ClosedDays, OpenHours, ShopEvent
from shop.roles import Role
from shop.services.hours import save_week, work_holiday
from tests.factories import BayFactory, make_job, make_shop, make_staff
from tests.jobs.test_booking import HOUR, a_booking, typed


def next_weekday(weekday: int) -> datetime:
    """Midnight of the first such day at least three days ahead."""
    day = timezone.localdate() + timedelta(days=3)
    day += timedelta(days=(weekday - day.weekday()) % 7)
    return timezone.make_aware(datetime.combine(day, time(0)))


def open_on_weekdays() -> None:
    for weekday in range(5):
        OpenHours.objects.create(weekday=weekday, opens_at=time(8), closes_at=time(17))


MONDAY, SATURDAY = next_weekday(0), next_weekday(5)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("day", "starts", "ends", "promised", "said"),
    [
        (MONDAY, 8, 17, 17, []),
        (MONDAY, 7, 12, 17, ["starts"]),
        (MONDAY, 13, 18, 19, ["ends", "promised"]),
        (MONDAY, 13, 17, 18, ["promised"]),
        (SATURDAY, 9, 12, 13, ["starts", "ends", "promised"]),
    ],
)
def test_each_end_outside_the_hours_is_said_and_the_very_edge_is_not(
    day: datetime, starts: int, ends: int, promised: int, said: list[str]
) -> None:
    slot = Slot(BayFactory(), day + starts * HOUR, day + ends * HOUR)
    assert doubts(slot, day + promised * HOUR) == []
    open_on_weekdays()
    found = doubts(slot, day + promised * HOUR)
    assert len(found) == len(said)
    assert all(word in line for word, line in zip(said, found, strict=True))


@pytest.mark.django_db
def test_a_car_may_stay_over_a_closed_weekend() -> None:
    open_on_weekdays()
    friday = next_weekday(4)
    slot = Slot(BayFactory(), friday + 9 * HOUR, friday + timedelta(days=3) + 12 * HOUR)
    assert doubts(slot) == []


@pytest.mark.django_db
def test_nothing_is_booked_outside_the_hours_without_a_yes_to_just_that() -> None:
    open_on_weekdays()
    desk = make_staff(Role.FRONT_DESK)
    wanted = a_booking(slot=Slot(BayFactory(), SATURDAY + 9 * HOUR, SATURDAY + 12 * HOUR))
    with pytest.raises(AskFirst, match="closed on Saturday") as asked:
        book(wanted, desk)
    other = AskFirst("Something else.")
    with pytest.raises(AskFirst):
        book(wanted, desk, other.token)
    assert not Job.objects.exists()
    assert book(wanted, desk, asked.value.token).stage == Stage.BOOKED


@pytest.mark.django_db
def test_the_page_asks_and_one_tap_says_yes(client: Client) -> None:
    open_on_weekdays()
    client.force_login(make_staff(Role.FRONT_DESK))
    day = f"{SATURDAY:%Y-%m-%d}"
    data = typed(starts_at_0=day, ends_at_0=day, promised_at_0=day)
    answer = client.post(reverse("book"), data)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Book it all the same" in page
    assert 'value="Odo Marrick"' in page
    token = answer.context["asked"].token
    assert client.post(reverse("book"), {**data, "confirmed": token}).status_code == 302
    assert Job.objects.get().starts_at == SATURDAY + 9 * HOUR


@pytest.mark.django_db
def test_two_technicians_of_one_name_are_told_apart() -> None:
    busy, free = (make_staff(Role.TECHNICIAN, name="Tam Ferrow") for _ in range(2))
    there = make_job(starts_at=MONDAY + 9 * HOUR, hours=3, technician=busy)
    slot = Slot(BayFactory(), MONDAY + 11 * HOUR, MONDAY + 13 * HOUR)
    assert [f"is on {there} in {there.bay}" in line for line in doubts(slot, None, busy)] == [True]
    assert doubts(slot, None, free) == []
    after = Slot(slot.bay, MONDAY + 12 * HOUR, MONDAY + 13 * HOUR)
    assert doubts(after, None, busy) == []
    assert doubts(slot, None, busy, but=there) == []


@pytest.mark.django_db
def test_who_is_away_is_said_on_those_days_alone() -> None:
    away = make_staff(Role.TECHNICIAN)
    day = MONDAY.date()
    Absence.objects.create(person=away, first_day=day, last_day=day, why="Course")
    bay = BayFactory()
    on_it = doubts(Slot(bay, MONDAY + 9 * HOUR, MONDAY + 12 * HOUR), None, away)
    assert len(on_it) == 1
    assert "Course" in on_it[0]
    up_to_it = Slot(bay, MONDAY - 9 * HOUR, MONDAY)
    after = Slot(bay, MONDAY + 24 * HOUR, MONDAY + 30 * HOUR)
    assert doubts(up_to_it, None, away) == doubts(after, None, away) == []


@pytest.mark.django_db
def test_a_change_asks_only_about_what_is_new() -> None:
    open_on_weekdays()
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(starts_at=SATURDAY + 9 * HOUR, hours=3)
    same = change_booking(job.pk, {"wants": "Louder"}, version=job.version, actor=desk)
    with pytest.raises(AskFirst, match="starts"):
        change_booking(
            job.pk,
            {"starts_at": SATURDAY + 8 * HOUR},
            version=same.version,
            actor=desk,
        )


@pytest.mark.django_db
def test_public_holidays_are_those_of_the_country_and_its_region() -> None:
    """Scotland has 2 January as a bank holiday, England and Wales have not
    (Banking and Financial Dealings Act 1971, schedule 1)."""
    second = date(2026, 1, 2)
    assert second not in holidays_of(make_shop(country="GB", region="ENG"), 2026)
    scotland = make_shop(country="GB", region="SCT")
    assert second in holidays_of(scotland, 2026)
    assert holidays_of(make_shop(keeps_holidays=False), 2026) == {}
    make_shop(keeps_holidays=True)
    open_on_weekdays()
    manager = make_staff(Role.MANAGER)
    assert "Holiday" in Calendar(second, second).on(second).closed
    for _ in range(2):
        work_holiday(second, True, manager)
    assert Calendar(second, second).on(second).closed == ""
    work_holiday(second, False, manager)
    assert Calendar(second, second).on(second).closed


@pytest.mark.django_db
def test_free_times_are_offered_only_while_the_shop_is_open() -> None:
    open_on_weekdays()
    bay = BayFactory()
    ClosedDays.objects.create(first_day=MONDAY.date(), last_day=MONDAY.date(), why="Stocktaking")
    (monday,), (tuesday,) = (bay_days(MONDAY.date() + timedelta(days=ahead)) for ahead in range(2))
    assert (monday.free, monday.hours.closed) == ([], "Stocktaking")
    assert [(f"{s.starts}", f"{s.ends}") for s in tuesday.free] == [("08:00", "17:00")]
    room = first_free(timedelta(hours=9), MONDAY.date())
    assert room == (bay, MONDAY + timedelta(days=1, hours=8))
    assert first_free(timedelta(hours=10), MONDAY.date()) is None


@pytest.mark.django_db
def test_the_hours_page_saves_whole_weeks_and_keeps_what_was_typed(client: Client) -> None:
    manager = make_staff(Role.MANAGER)
    client.force_login(manager)
    url = reverse("hours")
    half = {"opens_0": "08:00", "closes_0": ""}
    backwards = {"opens_1": "09:00", "closes_1": "08:00"}
    for wrong in (half, backwards):
        answer = client.post(url, wrong)
        assert answer.status_code == 422
        assert next(iter(wrong.values())) in answer.content.decode()
    assert not OpenHours.objects.exists()
    good = {"opens_0": "08:00", "closes_0": "17:00"}
    for _ in range(2):
        assert client.post(url, good).status_code == 302
    assert OpenHours.objects.count() == 1
    assert ShopEvent.objects.filter(code="openhours.created", actor=manager).count() == 1
    client.post(
        reverse("holidays_save"), {"country": "GB", "region": "SCT", "keeps_holidays": "on"}
    )
    assert "Scotland" not in (page := client.get(url).content.decode())
    assert "We work" in page
    person = make_staff(Role.TECHNICIAN)
    client.post(reverse("absence_add"), {"away-person": person.pk, "away-first_day": "2030-05-02"})
    away = Absence.objects.get()
    assert away.last_day == away.first_day == date(2030, 5, 2)
    wrong_order = {"closed-first_day": "2030-05-02", "closed-last_day": "2030-05-01"}
    answer = client.post(reverse("closed_add"), wrong_order)
    assert answer.status_code == 422
    assert "before the first" in answer.content.decode()
    client.post(reverse("absence_remove", args=[away.pk]))
    assert not Absence.objects.exists()


# Cars that have not come -----------------------------------------------------------------------


def due(hours_ago: float, stage: Stage = Stage.BOOKED, **more: Any) -> Job:
    starts_at = timezone.now() - timedelta(hours=hours_ago)
    return make_job(stage, starts_at=starts_at, hours=1, **more)


@pytest.mark.django_db
def test_a_car_that_has_not_come_is_never_late() -> None:
    missing, late, to_come = due(30), due(30, Stage.IN_BAY), due(-3)
    held = due(30)
    Job.objects.filter(pk=held.pk).update(stage=Stage.ON_HOLD, held_from=Stage.BOOKED)
    listed = {job.pk: job for job in live_jobs()}
    told = {
        job.pk: (listed[job.pk].not_arrived, listed[job.pk].is_late)
        for job in (missing, late, to_come, held)
    }
    assert told == {
        missing.pk: (True, False),
        late.pk: (False, True),
        to_come.pk: (False, False),
        held.pk: (False, False),
    }
    assert [job.pk for job in live_jobs()][:2] == [late.pk, missing.pk]


@pytest.mark.django_db
def test_did_not_come_is_one_tap_frees_the_bay_and_is_taken_back(client: Client) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    job = due(2)
    board = client.get(reverse("board")).content.decode()
    assert "Not arrived" in board
    address = reverse("job_move", args=[job.number, "no_show"])
    assert address in board
    answer = client.post(address, headers={"hx-request": "true"})
    assert answer.headers["HX-Redirect"] == job.get_absolute_url()
    job.refresh_from_db()
    assert (job.stage, job.stage_reason) == (Stage.CANCELLED, "Did not come.")
    assert not Job.objects.clashing(job.bay_id, job.starts_at, job.ends_at).exists()
    assert "Reinstate" in client.get(job.get_absolute_url()).content.decode()
    client.post(reverse("job_move", args=[job.number, "reinstate"]))
    job.refresh_from_db()
    assert (job.stage, job.stage_reason) == (Stage.BOOKED, "")


@pytest.mark.django_db
def test_nobody_is_said_not_to_have_come_before_the_time(client: Client) -> None:
    desk, technician = make_staff(Role.FRONT_DESK), make_staff(Role.TECHNICIAN)
    with pytest.raises(Refused, match="not due before"):
        move(due(-1).pk, "no_show", desk)
    missing = due(1)
    client.force_login(technician)
    page = client.get(reverse("board")).content.decode()
    assert "Not arrived" in page
    assert "Did not come" not in page
    with pytest.raises(Refused, match="not for your role"):
        move(missing.pk, "no_show", technician)


@pytest.mark.django_db(transaction=True)
def test_of_a_check_in_and_a_no_show_at_once_one_is_told() -> None:
    job = due(1)
    desk = make_staff(Role.FRONT_DESK)
    together = threading.Barrier(2)

    def one(name: str) -> str:
        together.wait(10)
        try:
            move(job.pk, name, desk, "Called.")
        except Refused:
            return "refused"
        finally:
            connections.close_all()
        return name

    with ThreadPoolExecutor(2) as people:
        done = sorted(people.map(one, ("hold", "no_show")))
    job.refresh_from_db()
    assert "refused" in done
    assert job.stage == (Stage.ON_HOLD if "hold" in done else Stage.CANCELLED)


@pytest.mark.django_db
def test_a_week_saved_says_each_change_once() -> None:
    manager = make_staff(Role.MANAGER)
    hours = {0: (time(8), time(17)), 1: (time(8), time(17))}
    branch = Branch.objects.first_one()
    save_week(hours, branch, manager)
    save_week({0: (time(9), time(17))}, branch, manager)
    codes = list(ShopEvent.objects.order_by("pk").values_list("code", flat=True))
    assert codes == ["openhours.created"] * 2 + ["openhours.removed", "openhours.changed"]
