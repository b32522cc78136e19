"""A bay is given once, whoever asks and through whichever door; the loser is told in words.

Two things keep a second job out: the book's lock, and the database itself. Each is tried alone,
and with both taken away the second job does get in: so the tests see the race.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from datetime import timedelta
from functools import partial
from importlib import import_module
from itertools import combinations_with_replacement
from typing import Any, Final
from unittest.mock import patch

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, connections, transaction
from django.db.migrations.loader import MigrationLoader
from django.test import Client
from django.utils import timezone

from jobs import bay_guard
from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import HOLDS_A_BAY, MOVES, Stage, moves_from
from jobs.models import Job
from jobs.services import bays, booking, moves
from jobs.services.booking import Booking, Slot, book, change_booking
from jobs.services.moves import move
from shop.models import Bay, StaffMember
from shop.roles import Role
from tests.factories import BayFactory, VehicleFactory, make_job, make_shop, make_staff

MORNING: Final = (timezone.now() + timedelta(days=3)).replace(hour=9, minute=0, microsecond=0)
HOUR: Final = timedelta(hours=1)
Call = Callable[[], Any]
Door = Callable[[Bay, StaffMember], Call]

on_postgresql = pytest.mark.skipif(
    "connection.vendor != 'postgresql'", reason="SQLite writes one transaction at a time"
)


# The doors: each makes what it needs, and gives the call that asks for the bay -----------


def _books(bay: Bay, actor: StaffMember) -> Call:
    vehicle = VehicleFactory()
    slot = Slot(bay, MORNING, MORNING + HOUR)
    wanted = Booking(
        customer=vehicle.owner,
        vehicle=vehicle,
        slot=slot,
        promised_at=slot.ends_at,
        wants="Clear voices",
    )
    return lambda: book(wanted, actor)


def _reinstates(bay: Bay, actor: StaffMember) -> Call:
    job = make_job(Stage.CANCELLED, bay=bay, starts_at=MORNING, hours=1)
    return lambda: move(job.pk, "reinstate", actor)


def _moves_its_time(bay: Bay, actor: StaffMember) -> Call:
    day = 24 * HOUR * (1 + Job.objects.count())
    job = make_job(bay=bay, starts_at=MORNING + day, hours=1)
    slot = {"starts_at": MORNING, "ends_at": MORNING + HOUR}
    return lambda: change_booking(job.pk, slot, version=1, actor=actor)


def _moves_its_bay(bay: Bay, actor: StaffMember) -> Call:
    job = make_job(starts_at=MORNING, hours=1)
    return lambda: change_booking(job.pk, {"bay": bay}, version=1, actor=actor)


def _into_the_bay(name: str, bay: Bay, actor: StaffMember) -> Call:
    """A move that ends in the bay, of a job with a slot of its own."""
    begins = min(MOVES[name].begins)
    day = 24 * HOUR * (1 + Job.objects.count())
    job = make_job(begins, bay=bay, starts_at=MORNING + day, hours=1)
    if begins == Stage.ON_HOLD:
        Job.objects.filter(pk=job.pk).update(held_from=Stage.IN_BAY)
    return lambda: move(job.pk, name, actor, "because")


def _brings_its_car(bay: Bay, actor: StaffMember) -> Call:
    day = 24 * HOUR * (1 + Job.objects.count())
    job = make_job(Stage.IN_BAY, starts_at=MORNING + day, hours=1)
    return lambda: change_booking(job.pk, {"bay": bay}, version=1, actor=actor)


FREE_BAY: Final = {"bay_free_now", "bay_free_again"}
FOR_A_SLOT: Final[list[Door]] = [_books, _reinstates, _moves_its_time, _moves_its_bay]
FOR_THE_BAY: Final[list[Door]] = [
    *(partial(_into_the_bay, one.name) for one in MOVES.values() if FREE_BAY & set(one.needs)),
    _brings_its_car,
]


def _called(door: Door) -> str:
    return door.args[0] if isinstance(door, partial) else door.__name__.strip("_")


PAIRS: Final = [
    *combinations_with_replacement(FOR_A_SLOT, 2),
    *((FOR_THE_BAY[0], door) for door in FOR_THE_BAY),
]


def _pairs(*but: tuple[Door, Door]) -> list[Any]:
    return [
        pytest.param(pair, id="-".join(map(_called, pair))) for pair in PAIRS if pair not in but
    ]


def in_the_slot(bay: Bay) -> int:
    return Job.objects.clashing(bay.pk, MORNING, MORNING + HOUR).count()


def holders(bay: Bay) -> int:
    """How many jobs have what only one may have."""
    return max(in_the_slot(bay), Job.objects.filter(bay=bay, stage=Stage.IN_BAY).count())


# Threads --------------------------------------------------------------------------------


class Asked(threading.Thread):
    """A call in a thread with a connection of its own; `answer` is what came of it."""

    answer: Any = None

    def __init__(self, call: Call) -> None:
        super().__init__()
        self.call = call

    def run(self) -> None:
        try:
            self.answer = self.call()
        except Exception as error:
            self.answer = error
        finally:
            connections.close_all()


def at_once(*calls: Call) -> list[Any]:
    threads = [Asked(call) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return [thread.answer for thread in threads]


def _waits_or_is_done(thread: threading.Thread) -> None:
    sql = (
        "SELECT count(*) FROM pg_stat_activity "
        "WHERE wait_event_type = 'Lock' AND datname = current_database()"
    )
    while thread.is_alive():
        with connection.cursor() as cursor:
            cursor.execute(sql)
            if cursor.fetchone()[0]:
                return
            cursor.execute("SELECT pg_stat_clear_snapshot()")


def overtaken(first: Call, second: Call) -> list[Any]:
    """`first` has looked and is about to write when `second` comes, and goes as far as it can."""
    claim = bays.claim
    late = Asked(second)
    started = threading.Lock()

    @contextmanager
    def pause(job: Job) -> Iterator[None]:
        if started.acquire(blocking=False):
            late.start()
            _waits_or_is_done(late)
        with claim(job):
            yield

    early = Asked(first)
    with patch.object(booking, "claim", pause), patch.object(moves, "claim", pause):
        early.start()
        early.join(60)
        late.join(60)
    return [early.answer, late.answer]


@contextmanager
def without_the_lock() -> Iterator[None]:
    with (
        patch.object(booking, "hold_the_book", lambda: None),
        patch.object(moves, "hold_the_book", lambda: None),
    ):
        yield


@contextmanager
def without_the_guard() -> Iterator[None]:
    """The database as it was before it refused; what the test wrote is put aside at the end."""
    unique = next(one for one in Job._meta.constraints if one.name == bay_guard.IN_BAY)
    with connection.schema_editor() as editor:
        editor.remove_constraint(Job, unique)
    bay_guard.remove(connection)
    try:
        yield
    finally:
        Job.objects.update(stage=Stage.CANCELLED)
        with connection.schema_editor() as editor:
            editor.add_constraint(Job, unique)
        bay_guard.install(connection)


def _two(doors: tuple[Door, Door]) -> tuple[Bay, list[Call]]:
    make_shop()  # Else both would make it, and one wait for the other.
    bay, actor = BayFactory(), make_staff(*Role)
    return bay, [door(bay, actor) for door in doors]


# The lock also gives a booking its number: without it two bookings fail before they clash.
@on_postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("doors", _pairs((_books, _books)))
@pytest.mark.parametrize(
    ("taken_away", "get_in"),
    [
        ((without_the_lock, without_the_guard), 2),
        ((without_the_lock,), 1),
        ((without_the_guard,), 1),
    ],
    ids=["neither", "database-alone", "lock-alone"],
)
def test_the_lock_and_the_database_each_keep_the_second_out(
    doors: tuple[Door, Door],
    taken_away: tuple[Callable[[], AbstractContextManager[None]], ...],
    get_in: int,
) -> None:
    bay, calls = _two(doors)
    with ExitStack() as stack:
        for without in taken_away:
            stack.enter_context(without())
        answers = overtaken(*calls)
        assert holders(bay) == get_in
    refused = [answer for answer in answers if isinstance(answer, Exception)]
    assert [type(one) for one in refused] == [Refused] * (2 - get_in)
    assert all(str(bay) in str(one) for one in refused)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("doors", _pairs())
def test_of_two_at_once_one_gets_the_bay_and_one_is_told(doors: tuple[Door, Door]) -> None:
    bay, calls = _two(doors)
    answers = at_once(*calls)
    assert holders(bay) == 1
    assert sorted(type(one).__name__ for one in answers) == ["Job", "Refused"]
    assert str(bay) in next(str(one) for one in answers if isinstance(one, Refused))


# What the database refuses --------------------------------------------------------------


def refused_by_the_database(call: Call) -> bool:
    try:
        with transaction.atomic():
            call()
    except IntegrityError as error:
        assert bay_guard.broken_rule(error)
        return True
    return False


@pytest.mark.django_db
@pytest.mark.parametrize("stage", Stage)
def test_the_database_refuses_a_second_slot_in_the_stages_that_hold_one(stage: Stage) -> None:
    other = make_job(Stage.CANCELLED, starts_at=MORNING + 3 * HOUR, hours=1)
    holder = make_job(stage, bay=other.bay, starts_at=MORNING, hours=4)
    over = partial(make_job, bay=holder.bay, starts_at=MORNING + HOUR, hours=1)
    assert refused_by_the_database(over) == (stage in HOLDS_A_BAY)
    assert refused_by_the_database(
        lambda: Job.objects.filter(pk=other.pk).update(stage=Stage.BOOKED)
    ) == (stage in HOLDS_A_BAY)


@pytest.mark.django_db
def test_the_database_refuses_no_more_than_it_must() -> None:
    holder = make_job(starts_at=MORNING, hours=4)
    before = make_job(bay=holder.bay, starts_at=MORNING - HOUR, hours=1)
    after = make_job(bay=holder.bay, starts_at=MORNING + 4 * HOUR, hours=1)
    make_job(starts_at=MORNING, hours=4)
    Job.objects.filter(pk=holder.pk).update(ends_at=MORNING + 2 * HOUR, stage=Stage.IN_BAY)
    row = Job.objects.filter
    late = {"ends_at": MORNING + timedelta(minutes=1)}
    assert refused_by_the_database(lambda: row(pk=before.pk).update(**late))
    early = {"starts_at": MORNING + timedelta(minutes=119)}
    assert refused_by_the_database(lambda: row(pk=after.pk).update(**early))
    assert refused_by_the_database(lambda: row(pk=after.pk).update(stage=Stage.IN_BAY))


@pytest.mark.django_db
def test_another_broken_rule_is_not_taken_for_a_bay() -> None:
    job = make_job()
    with pytest.raises(IntegrityError) as caught, bays.claim(job):
        make_job(number=job.number)
    assert not bay_guard.broken_rule(caught.value)


# The pages ------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_pages_tell_who_has_the_bay_and_keep_what_was_typed(client: Client) -> None:
    inside = make_job(Stage.IN_BAY)
    held = make_job(Stage.ON_HOLD, bay=inside.bay, starts_at=MORNING)
    Job.objects.filter(pk=held.pk).update(held_from=Stage.IN_BAY)
    client.force_login(make_staff(*Role))
    told = f"{inside} is still in {inside.bay}: finish it, put it on hold"
    answer = client.post(f"/jobs/{held.number}/move/resume/")
    assert answer.status_code == 422
    assert told in answer.content.decode()
    Job.objects.filter(pk=held.pk).update(held_from=Stage.CHECKED_IN)
    assert client.post(f"/jobs/{held.number}/move/resume/").status_code == 302


@pytest.mark.django_db
@pytest.mark.parametrize("taken", [True, False])
@pytest.mark.parametrize("name", ["recall", "send_back"])
def test_a_car_back_from_review_waits_while_another_is_in_its_bay(name: str, taken: bool) -> None:
    """The sheet takes entries in both stages, so the work on the record need not wait."""
    reviewed = make_job(Stage.READY_FOR_REVIEW, starts_at=MORNING)
    if taken:
        make_job(Stage.IN_BAY, bay=reviewed.bay, starts_at=MORNING + 9 * HOUR)
    job = move(reviewed.pk, name, make_staff(*Role), "Label the sill plug")
    assert job.stage == (Stage.CHECKED_IN if taken else Stage.IN_BAY)
    assert job.sheet_is_open
    assert ("waits_for" in job.events.latest("pk").after) is taken
    assert "finish" in {
        one.name for one in moves_from(job.stage, "", frozenset(Role), job.held_from)
    }


@pytest.mark.django_db
def test_a_car_that_was_never_in_the_bay_is_not_handed_to_review() -> None:
    job = make_job(Stage.CHECKED_IN)
    offered = {one.name for one in moves_from(job.stage, "", frozenset(Role), job.held_from)}
    assert "start_work" in offered
    assert "finish" not in offered
    with pytest.raises(ChangedMeanwhile):
        move(job.pk, "finish", make_staff(*Role))


@on_postgresql
@pytest.mark.django_db(transaction=True)
def test_a_car_back_from_review_and_one_that_starts_never_share_the_bay() -> None:
    bay, actor = BayFactory(), make_staff(*Role)
    back = _into_the_bay("recall", bay, actor)
    starts = _into_the_bay("start_work", bay, actor)
    answers = overtaken(back, starts)
    assert holders(bay) == 1
    assert not [
        one for one in answers if isinstance(one, Exception) and not isinstance(one, Refused)
    ]


# A book that gave a bay twice before ----------------------------------------------------


def _migration() -> Any:
    names = MigrationLoader(connection).disk_migrations
    name = next(name for app, name in names if app == "jobs" and name.endswith("bay_given_once"))
    return import_module(f"jobs.migrations.{name}")


@pytest.mark.django_db(transaction=True)
def test_jobs_that_share_a_bay_already_are_set_apart_not_locked_out(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with without_the_guard():
        bay = BayFactory(name="Bay with the lift at the back, left")
        BayFactory(name="Bay with the lift at the bac, car 2")
        first = make_job(bay=bay, starts_at=MORNING, hours=4)
        inside = make_job(Stage.IN_BAY, bay=bay, starts_at=MORNING + HOUR, hours=4)
        also_inside = make_job(Stage.IN_BAY, bay=bay, starts_at=MORNING + 30 * HOUR)
        third = make_job(bay=bay, starts_at=MORNING + 2 * HOUR, hours=1)
        gone = make_job(Stage.COLLECTED, bay=bay, starts_at=MORNING, hours=4)
        alone = make_job(bay=bay, starts_at=MORNING + 60 * HOUR)
        with connection.schema_editor() as editor:
            _migration().set_apart(apps, editor)
            unique = next(one for one in Job._meta.constraints if one.name == bay_guard.IN_BAY)
            editor.add_constraint(Job, unique)
            bay_guard.install(connection)
            editor.remove_constraint(Job, unique)
        stays, second = bay.name, "Bay with the lift at the bac, car 2 (2)"
        jobs = Job.objects.select_related("bay").in_bulk()
        assert {pk: job.bay.name for pk, job in jobs.items()} == {
            inside.pk: stays,
            gone.pk: stays,
            alone.pk: stays,
            also_inside.pk: second,
            first.pk: second,
            third.pk: "Bay with the lift at the bac, car 3",
        }
        assert not Bay.objects.filter(name__contains=", car", active=True).exclude(
            name="Bay with the lift at the bac, car 2"
        )
        event = first.events.get(code="job.set_apart")
        assert event.after == {"bay": second}
        said = capsys.readouterr().out
        assert [f"J{job.number} " in said for job in (first, also_inside, third)] == [True] * 3
        assert f"J{inside.number} " not in said
