"""Thirty tablets, each on a row of its own: every entry is sent until somebody confirms it."""

import io
import random
import re
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from urllib.parse import urlencode
from uuid import uuid4

TOKEN = "t" * 32
VERSION = re.compile(rb'name="version" value="(\d+)"')
SECOND_CHANCE_S = 1.0
PHOTO_EVERY = 20
DEVICE = re.compile(r"loombook-device=([^;]+)")


@dataclass
class Entry:
    """Something typed or taken, with the key its device made for it."""

    key: str
    value: str
    sent: int = 0
    wait_s: float = 0.0


@dataclass
class Tablet:
    """One person at one row. `ports` are the nodes; each call goes to another than the last."""

    ports: list[int]
    session: str
    save_url: str
    number: str
    version: int
    since: int
    picture: bytes
    device: str = field(default_factory=lambda: uuid4().hex[:12])
    known: str = ""
    confirmed: list[Entry] = field(default_factory=list)
    photos: list[Entry] = field(default_factory=list)
    open: Entry | None = None
    seen: Counter[str] = field(default_factory=Counter)
    answer_s: float = 0.0
    refused: list[str] = field(default_factory=list)

    def _call(self, method: str, path: str, body: bytes | str, kind: str) -> tuple[int, bytes]:
        """The answer, with 0 for none at all."""
        self.ports.append(self.ports.pop(0))
        connection = HTTPConnection("127.0.0.1", self.ports[0], timeout=60)
        cookie = f"sessionid={self.session}; csrftoken={TOKEN}"
        headers = {
            "Cookie": cookie + (f"; loombook-device={self.known}" if self.known else ""),
            "X-CSRFToken": TOKEN,
            "HX-Request": "true",
            "Content-Type": kind,
            "Loombook-Photo": "1",
        }
        began = time.monotonic()
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            content = answer.read()
        except (OSError, HTTPException):
            self.seen["none"] += 1
            return 0, b""
        finally:
            connection.close()
            self.answer_s = max(self.answer_s, time.monotonic() - began)
        for cookie in answer.headers.get_all("Set-Cookie") or ():
            if given := DEVICE.match(cookie):
                self.known = given[1]
        self.seen[str(answer.status)] += 1
        self.since = int(answer.getheader("Loombook-Since") or self.since)
        return answer.status, content

    def _until_confirmed(
        self, entry: Entry, stop: threading.Event, send: Callable[[Entry], bool]
    ) -> bool:
        """Send until it is taken; False when told to stop before that."""
        began = time.monotonic()
        while True:
            entry.sent += 1
            if send(entry):
                entry.wait_s = time.monotonic() - began
                return True
            if stop.wait(SECOND_CHANCE_S):
                return False

    def _send_cell(self, entry: Entry) -> bool:
        fields = {"version": self.version, "connector": entry.value, "key": entry.key}
        form = "application/x-www-form-urlencoded"
        status, content = self._call("POST", self.save_url, urlencode(fields), form)
        found = VERSION.search(content)
        if status == 200 and found:
            self.version = int(found[1])
            return True
        self._note(status, content)
        return False

    def _send_photo(self, entry: Entry) -> bool:
        edge = uuid4().hex
        parts = "".join(
            f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in (("subject", "job"), ("key", entry.key))
        )
        body = io.BytesIO()
        body.write(parts.encode())
        body.write(
            f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="p.jpg"\r\n'
            "Content-Type: image/jpeg\r\n\r\n".encode()
        )
        body.write(self.picture + f"\r\n--{edge}--\r\n".encode())
        kind = f"multipart/form-data; boundary={edge}"
        status, content = self._call("POST", f"/jobs/{self.number}/photos/", body.getvalue(), kind)
        self._note(status, content)
        return status in {200, 201}

    def _note(self, status: int, content: bytes) -> None:
        """What no second try would mend."""
        if status not in {0, 200, 201, 429, 503}:
            self.refused.append(f"{status} {content[:160]!r}")

    def _poll(self) -> None:
        query = urlencode(
            {"since": self.since, "device": self.device, "section": "channels", "show": "wires"}
        )
        status, content = self._call("GET", f"/jobs/{self.number}/bay/changes/?{query}", "", "")
        self._note(200 if status == 204 else status, content)

    def work(self, stop: threading.Event, pace_s: float) -> None:
        """Save about every `pace_s`, now and then a photo, and ask for changes between."""
        self._poll()
        turn = random.randrange(PHOTO_EVERY)
        while not stop.wait(pace_s * (0.5 + random.random())):
            turn += 1
            self.open = Entry(f"{self.device}_{uuid4().hex}", f"P {uuid4().hex[:8]}")
            photo = turn % PHOTO_EVERY == 0
            send = self._send_photo if photo else self._send_cell
            if not self._until_confirmed(self.open, stop, send):
                return
            (self.photos if photo else self.confirmed).append(self.open)
            self.open = None
            if turn % 5 == 0:
                self._poll()
