"""Calls the WSGI application as a signed-in person would, without a network in between."""

import io
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.core.wsgi import get_wsgi_application
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from shop.models import StaffMember

TOKEN = "b" * 32


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    body: bytes


class Caller:
    """One person's session."""

    def __init__(self, person: StaffMember) -> None:
        self.application = get_wsgi_application()
        client = Client()
        client.force_login(person)
        session = client.cookies["sessionid"].value
        self.cookie = f"sessionid={session}; csrftoken={TOKEN}"

    def _call(self, method: str, path: str, body: bytes, **headers: str) -> Answer:
        path, _, query = path.partition("?")
        status: list[str] = []
        environ: dict[str, Any] = {
            "REQUEST_METHOD": method,
            "PATH_INFO": path,
            "QUERY_STRING": query,
            "SERVER_NAME": "localhost",
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "HTTP_COOKIE": self.cookie,
            "HTTP_X_CSRFTOKEN": TOKEN,
            "CONTENT_TYPE": "application/x-www-form-urlencoded",
            "CONTENT_LENGTH": str(len(body)),
            "wsgi.version": (1, 0),
            "wsgi.url_scheme": "http",
            "wsgi.input": io.BytesIO(body),
            "wsgi.errors": io.StringIO(),
            "wsgi.multithread": False,
            "wsgi.multiprocess": False,
            "wsgi.run_once": False,
            **headers,
        }
        answer = self.application(environ, lambda line, _: status.append(line))
        content = b"".join(answer)
        if hasattr(answer, "close"):
            answer.close()
        return Answer(int(status[0].split()[0]), content)

    def get(self, path: str) -> Answer:
        """A page, as a browser asks for it."""
        return self._call("GET", path, b"")

    def save(self, path: str, fields: dict[str, Any]) -> Answer:
        """A cell, as the page's script posts it."""
        return self._call("POST", path, urlencode(fields).encode(), HTTP_HX_REQUEST="true")


def seconds(action: Callable[[], object]) -> float:
    """How long one call takes."""
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def p95(times: list[float]) -> float:
    """The time that 95 of 100 calls stay within."""
    return sorted(times)[int(0.95 * (len(times) - 1))]


def side_by_side(
    subject: Callable[[], object], floor: Callable[[], object], count: int
) -> tuple[float, float]:
    """95th percentiles of both, called in turn so that the machine's moods hit both alike."""
    for _ in range(5):
        subject()
        floor()
    times = [(seconds(subject), seconds(floor)) for _ in range(count)]
    return p95([pair[0] for pair in times]), p95([pair[1] for pair in times])


def queries(action: Callable[[], object]) -> int:
    """How many queries one call makes."""
    with CaptureQueriesContext(connection) as captured:
        action()
    return len(captured)
