"""What every test stands on: a database file, a data folder of its own, and a browser."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, connections
from django.test import TransactionTestCase
from hypothesis import settings as hypothesis_settings

from shop import frozen

hypothesis_settings.register_profile("steady", derandomize=True, deadline=None)
hypothesis_settings.load_profile("steady")

# The browser's synchronous driver runs an event loop in the thread that also uses the ORM.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "1")

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
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
    ("tests/browser/",),
    ("tests/test_hostile_input.py",),
    ("tests/test_demo.py",),
    ("tests/jobs/test_sheet_pdf.py",),
)
"""Tests that share a browser (those that wait for a network in one, all others in a second), the
walk over every form, the demo shop, a signed sheet."""
PAPER = pytest.StashKey[bool]()
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
            return next((one[0] for one in SHARED if nodeid.startswith(one)), nodeid)

    return Together(config, log)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
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


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    item.config.stash[PAPER] = item.get_closest_marker("paper") is not None


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings_parallel_suffix: None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """SQLite tests use a file, as the shop does: an in-memory database has but one connection."""
    if connection.vendor == "sqlite":
        path = tmp_path_factory.mktemp("database") / "test.sqlite3"
        connections["default"].settings_dict["TEST"]["NAME"] = str(path)


@pytest.fixture(scope="session", autouse=True)
def _frozen_tables_can_be_emptied() -> Iterator[None]:
    """Signed rows refuse deletion, also when a test that commits cleans up after itself."""
    empty_tables = TransactionTestCase._fixture_teardown

    def teardown(case: TransactionTestCase) -> None:
        frozen.remove(connection)
        try:
            empty_tables(case)
        finally:
            frozen.install(connection)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", teardown)
        yield


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
