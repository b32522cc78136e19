"""From PostgreSQL to SQLite with every row. That everything holds after the way there and back, the
tables made by every migration, was tried by hand with the demo shop; it takes a minute."""

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections
from django.utils import timezone

from jobs.models import JobEvent
from shop import moving
from shop.models import Vehicle
from tests.permission_ground import lay_ground

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="moves from PostgreSQL"),
]


@pytest.fixture(autouse=True)
def _may_connect(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Django lets a test connect to the databases of its settings alone."""

    def connect(wrapper: Any) -> None:
        if wrapper.connection is None:
            wrapper.connect()

    monkeypatch.setattr(
        "django.db.backends.base.base.BaseDatabaseWrapper.ensure_connection", connect
    )


def tables_from_models(_url: str) -> None:
    with connections[moving.TARGET].schema_editor() as editor:
        for model in moving._tables():
            if not model._meta.auto_created:
                editor.create_model(model)


def test_every_row_comes_along_as_it_is(data_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay_ground()
    long_ago = timezone.now() - timedelta(days=900)
    Vehicle.objects.update(created_at=long_ago)
    monkeypatch.setattr(moving, "_make_tables", tables_from_models)
    call_command("move_database", "sqlite")
    with closing(sqlite3.connect(data_folder / "loombook.sqlite3")) as there:
        for model in moving._tables():
            counted = there.execute(f"SELECT count(*) FROM {model._meta.db_table}").fetchone()[0]
            assert counted == model._base_manager.count(), model
        made = there.execute("SELECT DISTINCT created_at FROM shop_vehicle").fetchall()
        assert made == [(long_ago.strftime("%Y-%m-%d %H:%M:%S.%f"),)], "as made, not as moved"
        assert JobEvent.objects.exists()
        with pytest.raises(sqlite3.IntegrityError, match="cannot be changed"):
            there.execute("UPDATE jobs_jobevent SET code = 'forged'")
    with pytest.raises(CommandError, match="has tables already"):
        call_command("move_database", "sqlite")


def test_a_row_that_comes_out_otherwise_is_named(
    data_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_ground()
    copy, last = moving._copy, Vehicle.objects.latest("pk")

    def spoilt() -> Any:
        copied = copy()
        Vehicle.objects.using(moving.TARGET).filter(pk=last.pk).update(plate="ANOTHER")
        return copied

    monkeypatch.setattr(moving, "_make_tables", tables_from_models)
    monkeypatch.setattr(moving, "_copy", spoilt)
    with pytest.raises(moving.MoveError, match=f"shop.Vehicle {last.pk} came out with another"):
        moving.move_to("sqlite")


def test_what_cannot_be_moved_is_refused_with_a_reason(data_folder: Path) -> None:
    with pytest.raises(moving.MoveError, match="uses postgresql already"):
        moving.move_to("postgresql://nobody@127.0.0.1:1/none")
    assert moving.TARGET not in connections.settings
