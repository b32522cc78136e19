"""What every test stands on: a database file, a data folder of its own, and a browser."""

import gc
import os
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from django.apps import apps
from django.db import connection, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.test import TransactionTestCase
from hypothesis import settings as hypothesis_settings

from shop import frozen

hypothesis_settings.register_profile("steady", derandomize=True, deadline=None)
hypothesis_settings.load_profile("steady")

# The browser's synchronous driver runs an event loop in the thread that also uses the ORM.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "1")

SHELL = Path("/usr/bin/chromium-headless-shell")
"""Debian's chromium without its own windows: a third less work for the same pages."""
CHROMIUM = os.environ.get("CHROMIUM") or str(SHELL if SHELL.exists() else "/usr/bin/chromium")
CHROMIUM_ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
TABLET = {"width": 1180, "height": 820}
NETWORK = ("away", "camera", "offline", "stalled", "tablet")
SHARED = (
    tuple(f"tests/browser/test_{one}.py" for one in NETWORK),
    ("tests/test_hostile_input.py",),
    ("tests/test_demo.py",),
    ("tests/jobs/test_sheet_pdf.py",),
    ("tests/browser/",),
)
"""Tests that share what is dear to make, in the order they begin: a browser (those that wait for a
network in one, all others in a second), the walk over every form, the demo shop, a signed sheet.
The second browser begins late: until then the first has made the demo shop that both copy."""
NEW_KEY = rsa.generate_private_key
PAPER = pytest.StashKey[bool]()
NO_DATABASE = {Path(__file__).parent / name for name in ("browser", "reference", "wiring")}
SAME_FOR_ALL = {"auth_permission", "django_content_type"}
"""Tables whose rows follow from the models: no test changes them."""
DATABASE_FIXTURES = {"_django_db_helper", "db", "transactional_db", "live_server"}


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database-only",
        action="store_true",
        help="run only the tests that touch the database, browser tests left out",
    )
    parser.addoption("--seed", type=int, default=1, help="seed of the hostile requests")
    parser.addoption("--posts", type=int, default=80, help="how many hostile requests of a sort")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Tests run side by side, but those that share what is dear to make run in one process."""
    from xdist.scheduler import LoadScopeScheduling

    class Together(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            place = _shared(nodeid)
            return SHARED[place][0] if place < len(SHARED) else nodeid

    config.option.loadscopereorder = False
    return Together(config, log)


def _shared(nodeid: str) -> int:
    """Which of SHARED a test belongs to; behind the last where it stands alone."""
    places = (place for place, files in enumerate(SHARED) if nodeid.startswith(files))
    return next(places, len(SHARED))


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """With --database-only the folders that never ask a database are not even read."""
    without = config.getoption("--database-only") and collection_path in NO_DATABASE
    return True if without else None


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: _shared(item.nodeid))
    if not config.getoption("--database-only"):
        return
    kept, left_out = [], []
    for item in items:
        uses_database = item.get_closest_marker("django_db") or DATABASE_FIXTURES & set(
            getattr(item, "fixturenames", ())
        )
        elsewhere = item.get_closest_marker("browser") or item.get_closest_marker("once")
        keep = uses_database and not elsewhere
        (kept if keep else left_out).append(item)
    items[:] = kept
    config.hook.pytest_deselected(items=left_out)


def pytest_collection_finish() -> None:
    """What was loaded stays, and no collection looks through it: a twentieth of the whole time."""
    gc.set_threshold(50_000, 20, 100)
    gc.collect()
    gc.freeze()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    item.config.stash[PAPER] = item.get_closest_marker("paper") is not None


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings_parallel_suffix: None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """SQLite tests use a file, as the shop does: an in-memory database has but one connection."""
    asked = connections["default"].settings_dict["TEST"]
    asked["MIGRATE"] = False
    if connection.vendor == "sqlite":
        asked["NAME"] = str(tmp_path_factory.mktemp("database") / "test.sqlite3")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    """Tables made from the models, in a tenth of the time of all migrations one by one.

    What migrations put into an empty database comes along. The browser's demo shop (SQLite) and
    the test of the server's roles (PostgreSQL) go through the migrations themselves.
    """
    labels = import_module("shop.migrations.0004_label_sheets")
    trigrams = import_module("shop.migrations.0002_search_indexes")
    from jobs import bay_guard

    with django_db_blocker.unblock(), connection.schema_editor() as editor:
        labels.add_usual(apps, editor)
        trigrams.install(apps, editor)
        bay_guard.install(connection)
        for migration in MigrationLoader(connection).disk_migrations:
            MigrationRecorder(connection).record_applied(*migration)


@pytest.fixture(scope="session", autouse=True)
def _frozen_tables_can_be_emptied() -> Iterator[None]:
    """Signed rows refuse deletion, also when a test that commits cleans up after itself."""
    empty_tables = TransactionTestCase._fixture_teardown

    def teardown(case: TransactionTestCase) -> None:
        if connection.vendor == "postgresql":
            _empty_what_is_filled()
            return
        frozen.remove(connection)
        try:
            empty_tables(case)
        finally:
            frozen.install(connection)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", teardown)
        yield


def _empty_what_is_filled() -> None:
    """On PostgreSQL, where Django would write every table anew: a second for each such test.

    No trigger fires meanwhile, which a superuser may ask for, as the throwaway server's user is.
    """
    names = connection.introspection.django_table_names(only_existing=True, include_views=False)
    asked = " UNION ALL ".join(f"SELECT '{one}' WHERE EXISTS (SELECT FROM {one})" for one in names)
    with connection.cursor() as cursor:
        cursor.execute(asked)
        filled = [one for (one,) in cursor.fetchall() if one not in SAME_FOR_ALL]
        cursor.execute("SET session_replication_role = replica")
        for one in filled:
            cursor.execute(f"DELETE FROM {one}")
        cursor.execute("SET session_replication_role = origin")


@pytest.fixture(scope="session", autouse=True)
def _thin_paper(request: pytest.FixtureRequest) -> Iterator[None]:
    """A sheet is laid out in full where a test marked `paper` looks at it: that takes seconds.

    Everywhere else the PDF has the document attached and is signed as ever, on one bare page.
    """
    from jobs.sheet import render

    whole = render.sheet_html

    def sheet_html(document: Any, receipt: Any = None) -> str:
        if request.config.stash[PAPER]:
            return whole(document, receipt)
        return f'<html lang="en"><title>{document["sheet"]["number"]}</title><p>Signed</p></html>'

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(render, "sheet_html", sheet_html)
        yield


@pytest.fixture(autouse=True)
def _keys_at_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shops of different tests sign with the same keys, those of one test with keys of their own:
    to find one takes a third of a second."""
    asked = count()
    monkeypatch.setattr(rsa, "generate_private_key", lambda **how: _key(next(asked), **how))


@cache
def _key(_place: int, **how: int) -> rsa.RSAPrivateKey:
    return NEW_KEY(**how)


@pytest.fixture(autouse=True)
def data_folder(settings: Any, tmp_path: Path) -> Path:
    """The data folder of one test: uploads, keys and backups go here."""
    folder = tmp_path / "data"
    folder.mkdir()
    settings.DATA_DIR = folder
    settings.MEDIA_ROOT = folder / "media"
    return folder


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": CHROMIUM, "args": CHROMIUM_ARGUMENTS}


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_context_args, "viewport": TABLET, "has_touch": True}
