"""Many tablets on one row at once: every value is kept, and a repeated save is one save."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from jobs.models import Channel, JobEvent, TimeEntry
from jobs.services import clock
from jobs.services.channels import save_channel
from jobs.sheet.record_check import check_job
from tests.jobs.workshop import Workshop

CELLS = (
    "connector",
    "positive_cavity",
    "negative_cavity",
    "positive_base",
    "negative_base",
    "note",
)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_saves_of_one_row_at_once_lose_nothing_and_double_nothing() -> None:
    shop_floor = Workshop()
    job = shop_floor.job()
    channel = job.channels.get(number=1)

    def save(turn: int) -> None:
        name = CELLS[turn % len(CELLS)]
        value = "GN" if name.endswith("base") else name[:12]
        try:
            save_channel(
                job.number,
                channel.pk,
                {name: value},
                actor=shop_floor.technician,
                version=channel.version,
                key=f"key-{name}",
            )
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as tablets:
        list(tablets.map(save, range(4 * len(CELLS))))
    saved = Channel.objects.get(pk=channel.pk)
    assert all(getattr(saved, name) for name in CELLS)
    assert saved.version == channel.version + len(CELLS)
    assert JobEvent.objects.filter(key__startswith="key-").count() == len(CELLS)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_people_who_change_places_do_not_wait_for_each_other() -> None:
    """Each clock that starts pauses one on the other's job; both logs stay whole."""
    shop_floor = Workshop()
    people = [shop_floor.technician, shop_floor.manager]
    jobs = [shop_floor.job(), shop_floor.job()]
    rounds = 12
    together = Barrier(len(people))

    def work(person: int) -> None:
        try:
            for turn in range(rounds):
                together.wait(60)
                clock.start(jobs[(person + turn) % 2].number, people[person])
        except BaseException:
            together.abort()
            raise
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(people)) as both:
        for done in [both.submit(work, person) for person in range(len(people))]:
            done.result()
    assert TimeEntry.objects.count() == rounds * len(people)
    for job in jobs:
        assert not [one for one in check_job(job) if "check-in" not in one]
