"""A demo shop served as in production, one fresh copy for each test that changes something."""

import os
from collections.abc import Callable, Iterator
from fcntl import LOCK_EX, flock
from pathlib import Path

import pytest
from django.db import connections
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.browser.served import make_demo, serving, sign_in

expect.set_options(timeout=10_000)

SignIn = Callable[..., Page]


@pytest.fixture(scope="session", autouse=True)
def _no_connection_from_before() -> None:
    """The browser's driver keeps an event loop in this thread, and Django a connection of its own
    inside one: what was opened before would stay open, out of reach of whoever closes them all."""
    connections.close_all()


@pytest.fixture(scope="session")
def demo_data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the demo shop, made once for all processes that run tests."""
    folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    with open(folder / "demo.lock", "w") as lock:
        flock(lock, LOCK_EX)
        done = folder / "demo-is-made"
        if not done.exists():
            (folder / "demo").mkdir()
            make_demo(folder / "demo")
            done.touch()
    return folder / "demo"


@pytest.fixture(scope="module")
def shown(demo_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a served demo shop for tests that only look."""
    with serving(demo_data, tmp_path_factory.mktemp("shown") / "data") as address:
        yield address


@pytest.fixture
def served(demo_data: Path, tmp_path: Path) -> Iterator[str]:
    """The address of a served demo shop of the test's own."""
    with serving(demo_data, tmp_path / "served") as address:
        yield address


@pytest.fixture
def enter(browser: Browser, browser_context_args: dict[str, object]) -> Iterator[SignIn]:
    """`enter(address, "maud")` gives a signed-in page with a context of its own."""
    contexts: list[BrowserContext] = []

    def enter_as(address: str, username: str, **more: object) -> Page:
        context = browser.new_context(**{**browser_context_args, "base_url": address, **more})
        contexts.append(context)
        return sign_in(context, address, username)

    yield enter_as
    for context in contexts:
        context.close()
