"""`make upgrade`: from the first version that a shop could have used to this one, and back.

The first version (FIRST) with its own pinned libraries makes its demo shop and a backup, on SQLite
or on the empty database of DATABASE_URL. This version then takes the data folder over: tables,
record, log, each job's page and each sheet. Then the first version restores its backup, and every
row and file is as it was; and this version takes the same backup on an empty machine. OLD_PYTHON
names a Python that has the libraries of the first version already. It reads the first version out
of git's history, and takes some minutes.
"""

import hashlib
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg

ROOT = Path(__file__).resolve().parent.parent
FIRST = "a590302"
"""25 November 2026: README and guide, demo shop, first manager, backup and restore."""
OPEN = """
import django; django.setup()
from django.conf import settings; settings.ALLOWED_HOSTS = ["*"]
from django.test import Client
from django.urls import reverse
from jobs.models import InstallSheet, Job
from shop.models import StaffMember
client = Client()
client.force_login(StaffMember.objects.get(username="wanda"))
pages = [reverse("board")]
pages += [reverse("job", args=[job.number]) for job in Job.objects.all()]
for sheet in InstallSheet.objects.select_related("job"):
    for name in ("sheet", "sheet_pdf"):
        pages.append(reverse(name, args=[sheet.job.number, sheet.revision]))
shut = [page for page in pages if client.get(page).status_code != 200]
assert not shut, shut
print(len(pages), "pages open")
"""


def rows(data: Path, database: str) -> Iterator[tuple[str, list[Any]]]:
    """Every table with its rows, in one order whatever order they lie in."""
    if database:
        with psycopg.connect(database) as there:
            asked = "SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1"
            for (table,) in there.execute(asked).fetchall():
                read = there.execute(f'SELECT * FROM "{table}" ORDER BY 1').fetchall()
                yield table, read
        return
    with closing(sqlite3.connect(data / "loombook.sqlite3")) as there_file:
        asked = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        for (table,) in there_file.execute(asked).fetchall():
            yield table, there_file.execute(f'SELECT * FROM "{table}" ORDER BY 1').fetchall()


def digest(data: Path, database: str) -> str:
    """Every row of every table, and every file that is not the database."""
    sums = hashlib.sha256()
    for table_rows in rows(data, database):
        sums.update(repr(table_rows).encode())
    for path in sorted(path for path in (data / "media").rglob("*") if path.is_file()):
        sums.update(path.relative_to(data).as_posix().encode() + path.read_bytes())
    return sums.hexdigest()


def another(database: str) -> str:
    """An empty database beside the one of this address; without one, none."""
    if not database:
        return ""
    with psycopg.connect(database, autocommit=True) as there:
        there.execute("CREATE DATABASE loombook_empty")
    return f"{database.rpartition('/')[0]}/loombook_empty"


def main() -> int:
    database = os.environ.get("DATABASE_URL", "")
    with tempfile.TemporaryDirectory(prefix="loombook-upgrade-") as name:
        folder = Path(name)
        old, data, empty = folder / "old", folder / "data", folder / "empty"
        old.mkdir()
        packed = subprocess.run(
            ["git", "archive", FIRST], cwd=ROOT, capture_output=True, check=True
        )
        subprocess.run(["tar", "x", "-C", str(old)], input=packed.stdout, check=True)
        python = os.environ.get("OLD_PYTHON") or str(_python_of(old))

        def then(*command: str) -> None:
            where = {**os.environ, "LOOMBOOK_DATA": str(data)}
            subprocess.run([python, "manage.py", *command], cwd=old, env=where, check=True)

        def now(*command: str, where: Path = data) -> None:
            given = {**os.environ, "LOOMBOOK_DATA": str(where)}
            subprocess.run([sys.executable, *command], cwd=ROOT, env=given, check=True)

        print(f"== {FIRST}: its demo shop and a backup", flush=True)
        then("migrate", "--noinput", "--verbosity", "0")
        then("load_demo", "--if-empty")
        then("backup")
        [archive] = (data / "backups").glob("*.tar.gz")
        before = digest(data, database)
        print("== this version takes it over", flush=True)
        os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
        now("manage.py", "migrate", "--noinput", "--verbosity", "0")
        now("manage.py", "check_record")
        now("manage.py", "check_log")
        os.environ["LOOMBOOK_DEBUG"] = "1"
        now("-c", OPEN)
        del os.environ["LOOMBOOK_DEBUG"]
        print("== back to the first version", flush=True)
        then("restore", str(archive), "--replace")
        if digest(data, database) != before:
            print("The first version does not find what it left.")
            return 1
        print("== its backup on an empty machine of this version", flush=True)
        os.environ["DATABASE_URL"] = another(database)
        now("manage.py", "restore", str(archive), "--unsigned", where=empty)
        now("manage.py", "migrate", "--noinput", "--verbosity", "0", where=empty)
        now("manage.py", "check_record", where=empty)
        print("Upgrade and return hold.")
    return 0


def _python_of(old: Path) -> Path:
    """A Python with the libraries that the first version pinned."""
    subprocess.run([sys.executable, "-m", "venv", str(old / ".venv")], check=True)
    python = old / ".venv" / "bin" / "python"
    asked = ["install", "--quiet", "--require-hashes", "-r", str(old / "requirements.lock")]
    subprocess.run([str(python), "-m", "pip", *asked], check=True)
    return python


if __name__ == "__main__":
    sys.exit(main())
