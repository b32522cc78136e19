"""A hundred connections that stall, as tablets that leave the wifi do, and ten people at work."""

import re
import socket
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from http.client import HTTPConnection, HTTPResponse
from http.cookies import SimpleCookie
from io import BytesIO
from pathlib import Path
from urllib.parse import urlencode
from uuid import uuid4

from PIL import Image

from tests.browser.served import PASSWORDS, copy_demo, start

STALLED = 100
PEOPLE = 10
ROUNDS = 2
VERSION = re.compile(rb'name="version" value="(\d+)"')


class Person:
    """Somebody signed in, with a connection of their own."""

    def __init__(self, port: int, username: str) -> None:
        self.connection = HTTPConnection("127.0.0.1", port, timeout=30)
        self.cookies: dict[str, str] = {}
        self.call("GET", "/sign-in/")
        fields = {"username": username, "password": PASSWORDS[username]}
        answer, _ = self.call("POST", "/sign-in/", urlencode(fields).encode())
        assert answer.status == 302
        self.call("GET", "/")

    def headers(self) -> dict[str, str]:
        return {
            "Cookie": "; ".join(f"{name}={text}" for name, text in self.cookies.items()),
            "X-CSRFToken": self.cookies.get("csrftoken", ""),
            "HX-Request": "true",
        }

    def call(
        self, method: str, path: str, body: bytes = b"", **more: str
    ) -> tuple[HTTPResponse, bytes]:
        kind = {"Content-Type": "application/x-www-form-urlencoded"} if body else {}
        self.connection.request(method, path, body, self.headers() | kind | more)
        answer = self.connection.getresponse()
        content = answer.read()
        for line in answer.headers.get_all("Set-Cookie") or []:
            self.cookies |= {name: one.value for name, one in SimpleCookie(line).items()}
        return answer, content

    def works(self, number: int, row: int, version: int) -> list[int]:
        """Look at the bay sheet and save a cell of one row, again and again; the answers."""
        answers = []
        for _ in range(ROUNDS):
            page, _ = self.call("GET", f"/jobs/{number}/bay/channels/")
            fields = {"version": version, "connector": f"P {row}", "key": uuid4().hex}
            path = f"/jobs/{number}/bay/channels/{row}/wire/"
            saved, content = self.call("POST", path, urlencode(fields).encode())
            answers += [page.status, saved.status]
            version = int((VERSION.search(content) or [b"", str(version).encode()])[1])
        return answers


def _photo(key: str) -> tuple[bytes, dict[str, str]]:
    """The body of a form with a photo of about a megabyte, and its type."""
    out = BytesIO()
    Image.effect_noise((1600, 1200), 120).convert("RGB").save(out, "JPEG", quality=90)
    parts = "".join(
        f'--cut\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n'
        for name, text in {"subject": "job", "key": key}.items()
    )
    opening = (
        '--cut\r\nContent-Disposition: form-data; name="photo"; filename="p.jpg"\r\n'
        "Content-Type: image/jpeg\r\n\r\n"
    )
    body = f"{parts}{opening}".encode() + out.getvalue() + b"\r\n--cut--\r\n"
    return body, {"Content-Type": "multipart/form-data; boundary=cut", "Loombook-Photo": "1"}


@contextmanager
def _stalling(port: int, person: Person, number: int) -> Iterator[None]:
    """Connections that began a request and send no more of it."""
    body, kind = _photo("never-arrives-1")
    lines = {"Host": "127.0.0.1", "Content-Length": str(len(body)), **person.headers(), **kind}
    photo = f"POST /jobs/{number}/photos/ HTTP/1.1\r\n" + "".join(
        f"{name}: {text}\r\n" for name, text in lines.items()
    )
    sent = (
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Half",
        b"POST /sign-in/ HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\nu",
        f"{photo}\r\n".encode() + body[: len(body) // 2],
    )
    with ExitStack() as held:
        for place in range(STALLED):
            connection = socket.create_connection(("127.0.0.1", port), timeout=30)
            held.enter_context(closing(connection))
            connection.sendall(sent[place % len(sent)])
        yield


def _rows(folder: Path) -> list[tuple[int, int, int]]:
    query = (
        "SELECT job.number, channel.id, channel.version FROM jobs_channel AS channel"
        " JOIN jobs_job AS job ON job.id = channel.job_id WHERE job.stage = 'in_bay'"
    )
    with closing(sqlite3.connect(folder / "loombook.sqlite3")) as database:
        return database.execute(query).fetchmany(PEOPLE)


def test_a_hundred_stalled_senders_keep_nobody_waiting(demo_data: Path, tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    port = copy_demo(demo_data, folder)
    server = start(folder, port, THREADS="4")
    try:
        people = [Person(port, ("piers", "wanda")[place % 2]) for place in range(PEOPLE)]
        rows = _rows(folder)
        assert len(rows) == PEOPLE
        with _stalling(port, people[0], rows[0][0]), ThreadPoolExecutor(PEOPLE) as pool:
            done = [
                pool.submit(person.works, *row) for person, row in zip(people, rows, strict=True)
            ]
            for one in done:
                assert one.result() == [200] * (2 * ROUNDS)
            body, kind = _photo("arrives-whole-1")
            answer, _ = people[1].call("POST", f"/jobs/{rows[0][0]}/photos/", body, **kind)
            assert answer.status == 201
    finally:
        server.terminate()
        assert server.wait(20) == 0


def test_behind_its_proxy_a_page_knows_that_it_came_by_tls(demo_data: Path, tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    port = copy_demo(demo_data, folder)
    server = start(folder, port, LOOMBOOK_HTTPS="1")
    try:
        for said in ({"X-Forwarded-Proto": "https"}, {}):
            connection = HTTPConnection("127.0.0.1", port, timeout=30)
            connection.request("GET", "/sign-in/", headers=said)
            answer = connection.getresponse()
            assert answer.status == (200 if said else 301), "plain http leads to https"
            assert ("Strict-Transport-Security" in answer.headers) == bool(said)
            connection.close()
    finally:
        server.terminate()
        assert server.wait(20) == 0
