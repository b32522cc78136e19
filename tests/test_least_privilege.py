"""PostgreSQL as deploy/roles.sql sets it up: the program works, and can switch nothing off."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.db import connection

ROOT = Path(__file__).resolve().parent.parent
OWNER, APP, NAME = "book_owner", "book_app", "book_of_two_roles"


def _manage(user: str, data: Path, *words: str, typed: str = "") -> str:
    at = connection.settings_dict
    url = f"postgresql://{user}@{at['HOST']}:{at['PORT']}/{NAME}"
    done = subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env={**os.environ, "DATABASE_URL": url, "LOOMBOOK_DATA": str(data)},
        input=typed,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture
def as_superuser(db: None) -> Iterator[Any]:
    """A connection to the throwaway server, beside the tests' own transaction."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has no roles")
    at = connection.settings_dict
    where = {"host": at["HOST"], "port": at["PORT"], "user": at["USER"]}
    with psycopg.connect(dbname="postgres", autocommit=True, **where) as server:
        yield server
        server.execute(f"DROP DATABASE IF EXISTS {NAME}")
        server.execute(f"DROP ROLE IF EXISTS {APP}")
        server.execute(f"DROP ROLE IF EXISTS {OWNER}")


def test_the_program_works_as_a_role_that_owns_nothing(as_superuser: Any, tmp_path: Path) -> None:
    at = connection.settings_dict
    where = ["-h", at["HOST"], "-p", str(at["PORT"]), "-U", at["USER"], "-d", "postgres"]
    names = ["-v", f"owner={OWNER}", "-v", f"app={APP}", "-v", f"name={NAME}"]
    made = ["psql", "-q", "-X", *where, *names, "-f", str(ROOT / "deploy/roles.sql")]
    for _ in ("made", "given again"):
        subprocess.run(made, check=True, capture_output=True)
    _manage(OWNER, tmp_path, "migrate", "--noinput", "--verbosity", "0")
    add = ("add_manager", "vesna", "Vesna Holloway", "--password-stdin")
    _manage(APP, tmp_path, *add, typed="orchard-lantern-41\n")
    _manage(APP, tmp_path, "check_record")
    assert "Backup written" in _manage(APP, tmp_path, "backup")

    with psycopg.connect(
        dbname=NAME, host=at["HOST"], port=at["PORT"], user=APP, autocommit=True
    ) as app:
        owned = app.execute("SELECT count(*) FROM pg_class WHERE relowner = %s::regrole", [APP])
        assert owned.fetchone() == (0,)
        for statement in (
            "ALTER TABLE shop_shopevent DISABLE TRIGGER ALL",
            "DROP TRIGGER shop_shopevent_frozen ON shop_shopevent",
            "DROP TABLE shop_shopevent",
            "TRUNCATE shop_shopevent",
            "CREATE TABLE mine (id int)",
            "CREATE OR REPLACE FUNCTION loombook_shop_shopevent_frozen() RETURNS trigger "
            "AS 'BEGIN RETURN NEW; END' LANGUAGE plpgsql",
            "SET session_replication_role = replica",
            f"SET ROLE {OWNER}",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                app.execute(statement)
        with pytest.raises(psycopg.errors.IntegrityError, match="cannot be changed"):
            app.execute("UPDATE shop_shopevent SET code = 'forged'")
