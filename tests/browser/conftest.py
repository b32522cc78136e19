"""A demo shop served as in production, one fresh copy for each test that changes something."""

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from urllib.request import urlopen

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from jobs.demo.people import STAFF

ROOT = Path(__file__).resolve().parents[2]
PASSWORDS = {one.username: one.password for one in STAFF}
START_SECONDS = 40
STATIC = "staticfiles"

expect.set_options(timeout=10_000)


def _environment(folder: Path) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name != "DATABASE_URL" and not name.startswith("LOOMBOOK_")
    }
    return {**kept, "LOOMBOOK_DATA": str(folder), "LOOMBOOK_HOSTS": "127.0.0.1"}


@pytest.fixture(scope="session")
def demo_data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the demo shop, made once by the commands a person would run."""
    folder = tmp_path_factory.mktemp("demo")
    for command in (
        ["migrate", "--noinput", "--verbosity", "0"],
        ["load_demo"],
        ["collectstatic", "--noinput", "--verbosity", "0"],
    ):
        done = subprocess.run(
            [sys.executable, "manage.py", *command],
            cwd=ROOT,
            env=_environment(folder),
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
    return folder


def _answers(address: str, server: subprocess.Popen[bytes]) -> bool:
    pause = Event()
    for _ in range(START_SECONDS * 20):
        assert server.poll() is None, "the server stopped while starting"
        try:
            with urlopen(f"{address}/healthz", timeout=5) as answer:
                return bool(answer.status == 200)
        except OSError:
            pause.wait(0.05)
    return False


@contextmanager
def _serving(original: Path, folder: Path) -> Iterator[str]:
    shutil.copytree(original, folder, ignore=shutil.ignore_patterns(STATIC))
    (folder / STATIC).symlink_to(original / STATIC)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    where = {"HOST": "127.0.0.1", "PORT": str(port), "WORKERS": "1"}
    server = subprocess.Popen(["deploy/serve.sh"], cwd=ROOT, env=_environment(folder) | where)
    address = f"http://127.0.0.1:{port}"
    try:
        assert _answers(address, server)
        yield address
    finally:
        server.terminate()
        server.wait(20)


@pytest.fixture(scope="module")
def shown(demo_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a served demo shop for tests that only look."""
    with _serving(demo_data, tmp_path_factory.mktemp("shown") / "data") as address:
        yield address


@pytest.fixture
def served(demo_data: Path, tmp_path: Path) -> Iterator[str]:
    """The address of a served demo shop of the test's own."""
    with _serving(demo_data, tmp_path / "served") as address:
        yield address


SignIn = Callable[..., Page]


def sign_in(context: BrowserContext, address: str, username: str) -> Page:
    """A page of this person, on the board."""
    page = context.new_page()
    page.goto(f"{address}/sign-in/")
    page.get_by_label("Sign-in name").fill(username)
    page.get_by_label("Password").fill(PASSWORDS[username])
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    return page


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
