"""Many tablets on one row at once: every value is kept, and a repeated save is one save."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections

from jobs.models import Channel, JobEvent
from jobs.services.channels import save_channel
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
