"""A demo shop in a data folder of its own, served as in production, and signing in to it."""

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from urllib.request import urlopen

from playwright.sync_api import BrowserContext, Page, expect

from deploy.demo.people import STAFF

ROOT = Path(__file__).resolve().parents[2]
PASSWORDS = {one.username: one.password for one in STAFF}
START_SECONDS = 40
STATIC = "staticfiles"
COMMANDS = (
    ["migrate", "--noinput", "--verbosity", "0"],
    ["load_demo"],
    ["collectstatic", "--noinput", "--verbosity", "0"],
)


def _environment(folder: Path) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name != "DATABASE_URL" and not name.startswith("LOOMBOOK_")
    }
    return {**kept, "LOOMBOOK_DATA": str(folder), "LOOMBOOK_HOSTS": "127.0.0.1,localhost"}


def make_demo(folder: Path) -> None:
    """Fill a data folder with the demo shop, by the commands a person would run."""
    for command in COMMANDS:
        done = subprocess.run(
            [sys.executable, "manage.py", *command],
            cwd=ROOT,
            env=_environment(folder),
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr


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


def copy_demo(original: Path, folder: Path) -> int:
    """Copy the demo shop in `original` to `folder`; gives a port that is free."""
    shutil.copytree(original, folder, ignore=shutil.ignore_patterns(STATIC))
    (folder / STATIC).symlink_to(original / STATIC)
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def start(folder: Path, port: int, **settings: str) -> subprocess.Popen[bytes]:
    """A server on this data folder that answers."""
    where = {"HOST": "127.0.0.1", "PORT": str(port), "WORKERS": "1"}
    environment = _environment(folder) | where | {"LOOMBOOK_PAPERS_LATER": "1"} | settings
    server = subprocess.Popen(["deploy/serve.sh"], cwd=ROOT, env=environment)
    assert _answers(f"http://127.0.0.1:{port}", server)
    return server


@contextmanager
def serving(original: Path, folder: Path) -> Iterator[str]:
    """The address of a server on a copy, in `folder`, of the demo shop in `original`."""
    port = copy_demo(original, folder)
    server = start(folder, port)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(20)


def sign_in(context: BrowserContext, address: str, username: str) -> Page:
    """A page of this person, on the board."""
    page = context.new_page()
    page.goto(f"{address}/sign-in/")
    page.get_by_label("Sign-in name").fill(username)
    page.get_by_label("Password").fill(PASSWORDS[username])
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    return page
