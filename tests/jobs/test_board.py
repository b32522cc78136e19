"""The board and finding: the right jobs, in the right order, at a steady number of queries."""

import os
import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.reads.board import find_jobs, lanes_by_stage, live_jobs
from jobs.services.moves import move
from shop import backups
from shop.likeness import similarity
from shop.roles import Role
from tests.factories import (
    BayFactory,
    CustomerFactory,
    VehicleFactory,
    VehicleModelFactory,
    make_job,
    make_product,
    make_staff,
)

pytestmark = pytest.mark.django_db

BOARD_QUERIES = 7
"""Shop, session, user, bays, jobs, the running clock, technicians."""

REFRESH_QUERIES = 5
"""The board asking for news: shop, session, user, bays, jobs."""

FIND_QUERIES = 10 + (connection.vendor == "sqlite")
"""Shop, session, user, live jobs, models, parts, vehicles, customers, numbers of past jobs, past
jobs; on SQLite the customers that may hold the word too."""


def queries(client: Client, url: str, **headers: Any) -> int:
    with CaptureQueriesContext(
        connection,
    ) as captured:
        assert client.get(url, headers=headers).status_code == 200
    return len(captured)


def test_the_board_costs_the_same_at_any_size(client: Client) -> None:
    technician = make_staff(Role.TECHNICIAN)
    client.force_login(technician)
    make_job(technician=technician)
    client.get(reverse("board"))  # The first page of a sign-in says that it is used.
    few = queries(client, reverse("board"))
    for stage in (Stage.CHECKED_IN, Stage.IN_BAY, Stage.ON_HOLD, Stage.SIGNED_OFF) * 3:
        make_job(stage)
    assert queries(client, reverse("board")) == few + 1, "the jobs are read where cards are drawn"
    assert queries(client, reverse("board")) == few == BOARD_QUERIES
    assert queries(client, reverse("board"), hx_request="true", hx_target="board") == (
        REFRESH_QUERIES
    )


def test_every_live_job_once_late_ones_first() -> None:
    now = timezone.now()
    soon = make_job(Stage.IN_BAY, promised_at=now + timedelta(hours=5))
    later = make_job(Stage.IN_BAY, promised_at=now + timedelta(days=1))
    late = make_job(Stage.IN_BAY, promised_at=now - timedelta(hours=1))
    overdue_but_ready = make_job(Stage.SIGNED_OFF, promised_at=now - timedelta(days=2))
    for stage in (Stage.COLLECTED, Stage.CANCELLED):
        make_job(stage)

    shown = live_jobs()
    assert shown[0] == late
    assert set(shown) == {soon, later, late, overdue_but_ready}
    lanes = {lane.id: lane.jobs for lane in lanes_by_stage(shown)}
    assert lanes["in_bay"] == [late, soon, later]
    assert lanes["signed_off"] == [overdue_but_ready]
    assert lanes["booked"] == []


def test_the_board_is_narrowed_by_bay_and_person(client: Client) -> None:
    technician = make_staff(Role.TECHNICIAN)
    bay = BayFactory()
    mine = make_job(technician=technician)
    there = make_job(bay=bay)
    client.force_login(technician)
    for query, wanted in (
        ({"who": "mine"}, {mine}),
        ({"who": str(technician.pk)}, {mine}),
        ({"who": "none"}, {there}),
        ({"bay": str(bay.pk)}, {there}),
        ({"bay": "nonsense", "by": "bay"}, {mine, there}),
    ):
        lanes = client.get(reverse("board"), query).context["lanes"]()
        assert {job for lane in lanes for job in lane.jobs} == wanted, query


def test_the_bench_begins_at_its_own_jobs_of_today_and_nobody_s(client: Client) -> None:
    now = timezone.localtime().replace(hour=12, minute=0, second=0, microsecond=0)
    technician, other = make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)

    def at(days: int, stage: Stage = Stage.BOOKED, **more: Any) -> Job:
        job = make_job(stage, **{"technician": technician, "bay": BayFactory(), **more})
        starts = now + timedelta(days=days)
        slot = {"starts_at": starts, "ends_at": starts + timedelta(hours=2)}
        Job.objects.filter(pk=job.pk).update(**slot, promised_at=slot["ends_at"])
        return job

    today, nobody_s, overrun = at(0), at(0, technician=None), at(-2, Stage.IN_BAY)
    at(1), at(-1), at(0, technician=other)
    client.force_login(technician)
    first = client.get(reverse("home"))["Location"]
    lanes = client.get(first).context["lanes"]()
    assert {job for lane in lanes for job in lane.jobs} == {today, nobody_s, overrun}
    empty = client.get(f"{first}&bay={BayFactory().pk}").content.decode()
    assert "Nothing here today in this bay" in empty
    for role in (Role.MANAGER, Role.FRONT_DESK):
        client.force_login(make_staff(Role.TECHNICIAN, role))
        assert client.get(reverse("home"))["Location"] == reverse("board")


def test_the_board_answers_nothing_while_nothing_changed(client: Client) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    job = make_job()
    seen = client.get(reverse("board")).context["digest"]
    again = {"seen": seen}
    assert client.get(reverse("board"), again).status_code == 204
    Job.objects.filter(pk=job.pk).update(stage=Stage.CHECKED_IN, version=2)
    assert client.get(reverse("board"), again).status_code == 200


# Finding ---------------------------------------------------------------------------------------


@pytest.fixture
def wanted() -> Job:
    owner = CustomerFactory(
        name="Perpetua Gorsefield", phone="+44 161 496 0123", phone_digits="441614960123"
    )
    vehicle = VehicleFactory(
        owner=owner,
        vehicle_model=VehicleModelFactory(make="Halbrook", model="Zephyrine"),
        plate="GX 77 QLB",
        plate_plain="GX77QLB",
        vin="XCV5Z9T42LA771904",
        vin_reversed="409177AL24T9Z5VCX",
    )
    for _ in range(3):
        make_job()
    job = make_job(Stage.IN_BAY, vehicle=vehicle, number=7421, parts_wanted=[make_product()])
    job.parts.update(serial="TH-77-00412")
    return job


@pytest.mark.parametrize(
    "text",
    [
        "7421",
        "J7421",
        "j 7421",
        "gx77",
        "GX 77 QLB",
        "gx-77-qlb",
        "771904",
        "la771904",
        "XCV5Z",
        "0161 496 0123",
        "+44 161 496 0123",
        "4960123",
        "gorse",
        "Perpetua Gorsefield",
        "gorsefield perp",
        "gorsfield",
        "Gorsefeild Perpetua",
        "Perpetua Gorsefiled",
        "Zephrine",
        "halbrook zephyrine",
        "2021 Zephyrine",
        "th-77-00412",
    ],
)
def test_a_job_is_found_by_whatever_the_caller_gives(wanted: Job, text: str) -> None:
    assert find_jobs(text).jobs == [wanted]


def test_what_is_near_is_offered_only_where_nothing_is_written_so(wanted: Job) -> None:
    """Two customers of one name are both found; the nearer name stands first in its group."""
    twins = [
        make_job(vehicle=VehicleFactory(owner=CustomerFactory(name=name)))
        for name in ("Aurelio Thistlewood", "Aurelio Thistlewood", "Aurelia Thistledown")
    ]
    exact, near = find_jobs("thistlewood"), find_jobs("thistelwood")
    assert (exact.jobs, exact.near) == (twins[:2], False)
    assert near.near
    assert set(near.jobs) >= set(twins[:2])
    assert wanted not in near.jobs
    assert not find_jobs("quizzaciously").jobs


def test_likeness_is_that_of_pg_trgm() -> None:
    """PostgreSQL 16 manual, F.33.1: 0.571429 between "word" and "words", as from
    strict_word_similarity; where its extension is there the function itself is asked."""
    assert similarity("word", "words") == pytest.approx(4 / 7)
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        for one, other in (("Gorsefield", "Gorsfeild"), ("Zephyrine", "Zephrine"), ("ab", "ba")):
            cursor.execute("SELECT similarity(%s, %s)", [one, other])
            assert similarity(one, other) == pytest.approx(cursor.fetchone()[0], abs=1e-6)


@pytest.mark.parametrize("text", ["", "  ", "-", "nobody", "99999999999999999999", "%", "_"])
def test_what_is_not_there_is_not_found(wanted: Job, text: str) -> None:
    assert find_jobs(text).jobs == []


def test_a_live_job_stands_above_old_ones_and_the_number_above_all(wanted: Job) -> None:
    old = make_job(Stage.COLLECTED, vehicle=wanted.vehicle, number=7500)
    assert find_jobs("gorsefield").jobs == [wanted, old]
    # The same digits as a number and as the tail of somebody's phone.
    other = CustomerFactory(phone="555 7500", phone_digits="5557500")
    by_phone = make_job(vehicle=VehicleFactory(owner=other))
    assert find_jobs("7500").jobs == [old, by_phone]


def test_the_car_that_stands_here_comes_first_then_today_the_future_the_past(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    car, now = VehicleFactory(plate="QK 1", plate_plain="QK1"), timezone.now()
    noon = timezone.localtime(now).replace(hour=12, minute=0, second=0, microsecond=0)

    def visit(stage: Stage, days: int, **more: Any) -> Job:
        return make_job(stage, vehicle=car, starts_at=noon + timedelta(days=days), **more)

    past = visit(Stage.COLLECTED, -400)
    here = visit(Stage.SIGNED_OFF, -2)
    held_here = visit(Stage.ON_HOLD, -1, held_from=Stage.IN_BAY)
    today = visit(Stage.BOOKED, 0)
    later = visit(Stage.BOOKED, 30)
    sooner = visit(Stage.BOOKED, 3)
    held_ahead = visit(Stage.ON_HOLD, 40, held_from=Stage.BOOKED)
    cancelled = visit(Stage.CANCELLED, 5)
    wanted = [here, held_here, today, sooner, later, held_ahead, cancelled, past]
    assert find_jobs("QK1").jobs == wanted
    monkeypatch.setattr("jobs.reads.board.MOST_FOUND", 1)
    assert find_jobs("QK1").jobs == [here]


def test_finding_costs_the_same_at_any_size(client: Client, wanted: Job) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    url = f"{reverse('find')}?q=ines"
    make_job(Stage.COLLECTED)
    client.get(url)  # The first page of a sign-in says that it is used.
    few = queries(client, url)
    for _ in range(10):
        make_job()
    assert queries(client, url) == few == FIND_QUERIES


def test_the_answer_comes_first(client: Client, wanted: Job) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    Job.objects.filter(pk=wanted.pk).update(stage=Stage.SIGNED_OFF)
    page = client.get(reverse("find"), {"q": "GX77"}).content.decode()
    assert page.index("Ready") < page.index("J7421")


def test_a_reason_is_promised_where_it_then_stands(client: Client) -> None:
    """A held job says why on the board; a cancelled one leaves it and is found with its reason."""
    desk = make_staff(Role.FRONT_DESK)
    client.force_login(desk)
    held, cancelled = make_job(), make_job()
    page = client.get(reverse("job", args=[held.number])).content.decode()
    dialogs = {
        name: re.search(f'id="reason-{name}".*?</dialog>', page, re.DOTALL)[0]
        for name in ("hold", "cancel")
    }
    assert "and on the board" in dialogs["hold"]
    assert "on the board" not in dialogs["cancel"]
    assert "leaves the board" in dialogs["cancel"]

    move(held.pk, "hold", desk, "The ring is late")
    move(cancelled.pk, "cancel", desk, "Sold the car")
    board = client.get(reverse("board")).content.decode()
    assert "The ring is late" in board
    assert str(cancelled) not in board
    assert "Sold the car" in client.get(reverse("job", args=[cancelled.number])).content.decode()
    assert [job.pk for job in find_jobs(str(cancelled)).jobs] == [cancelled.pk]


def test_what_finds_nothing_is_not_advised(client: Client) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    job = make_job(vehicle=VehicleFactory(plate="KES 8093", plate_plain="KES8093"))
    assert find_jobs("KES 80").jobs == [job]
    assert find_jobs("S809").jobs == []
    page = client.get(reverse("find"), {"q": "S809"}).content.decode()
    assert "the start of the plate" in page
    assert "part of the plate" not in page


@pytest.mark.once
def test_a_manager_sees_that_no_backup_was_made_for_days() -> None:
    """Not where one was made lately, nor where none is made on this machine; nobody else does."""
    manager, desk = Client(), Client()
    manager.force_login(make_staff(Role.MANAGER))
    desk.force_login(make_staff(Role.FRONT_DESK))

    def told(client: Client) -> bool:
        return "newest backup" in client.get(reverse("board")).content.decode()

    assert not told(manager)
    folder = backups.default_folder()
    folder.mkdir()
    now = timezone.now().timestamp()
    for name, days in (("loombook-1.tar.gz", 9), ("loombook-2.tar.gz.age", 3.1)):
        archive = folder / name
        archive.touch()
        os.utime(archive, (now, now - days * backups.DAY_S))
    assert told(manager) and not told(desk)
    assert "3 days old" in manager.get(reverse("board")).content.decode()
    os.utime(archive, (now, now - 2.9 * backups.DAY_S))
    assert not told(manager)
