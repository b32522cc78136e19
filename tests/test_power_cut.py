"""What was confirmed is on the disk: a power cut right after the answer loses none of it."""

import os
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest
from django.db import connection, transaction

from jobs.lifecycle import Stage
from tests.factories import make_job
from tests.power_cut import Disk, python, run_traced

ROOT = Path(__file__).resolve().parents[1]


def _kept(folder: Path, said: str) -> bool:
    """Whether a folder holds what was confirmed, its file whole."""
    kind, _, name = said.partition(" ")
    query = {
        "connector": "SELECT '', '' FROM jobs_channel WHERE connector = ?",
        "photo": "SELECT file, thumbnail FROM jobs_photo WHERE key = ?",
        "guide": "SELECT guide, '' FROM jobs_fitproof WHERE reference = ?",
    }[kind]
    with closing(sqlite3.connect(folder / "loombook.sqlite3")) as database:
        row = database.execute(query, [name]).fetchone()
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return row is not None and all(not path or (folder / "media" / path).exists() for path in row)


def _files(folder: Path) -> dict[str, bytes]:
    media = folder / "media"
    return {
        str(path.relative_to(media)): path.read_bytes()
        for path in media.rglob("*")
        if path.is_file()
    }


def test_a_power_cut_after_the_answer_loses_nothing(tmp_path: Path) -> None:
    data = tmp_path / "shop"
    data.mkdir()
    environment = {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}
    environment |= {"LOOMBOOK_DATA": str(data), "LOOMBOOK_DEBUG": "1"}
    subprocess.run(python("tests.saves_traced", "prepare"), env=environment, cwd=ROOT, check=True)
    disk = Disk.of(data)
    trace = tmp_path / "trace"
    output = run_traced(python("tests.saves_traced", "save"), trace, environment, ROOT)
    written = _files(data)
    confirmed: list[str] = []
    for said in disk.replay(trace, "confirmed "):
        confirmed.append(said)
        found = tmp_path / f"found-{len(confirmed)}"
        disk.write_to(found)
        lost = [one for one in confirmed if not _kept(found, one)]
        assert not lost, f"confirmed, then lost when the power failed after “{said}”"
        for name, content in _files(found).items():
            assert content == written[name], f"{name} is not whole"
    assert [f"confirmed {said}" for said in confirmed] == output.splitlines()
    assert {said.split()[0] for said in confirmed} == {"connector", "photo", "guide"}


@pytest.mark.django_db(transaction=True)
def test_postgresql_has_flushed_a_commit_before_it_says_so() -> None:
    """Also where the server's own default is not to wait, as on the tests' server."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite is traced")
    for _ in range(20):
        with connection.cursor() as cursor:
            with transaction.atomic():
                make_job(Stage.BOOKED)
                cursor.execute("SELECT pg_current_wal_insert_lsn()")
                [written] = cursor.fetchone()
            cursor.execute("SELECT pg_current_wal_flush_lsn() > %s::pg_lsn", [written])
            assert cursor.fetchone() == (True,)
