"""Thirty tablets on one server: `deploy/test_postgres.sh python -m tests.bench.tablets`.

Real processes on loopback: the production server with its own settings, and thirty sessions that
each save cells of a row of their own and ask for changes, as the bay sheet's page does. Two ways:
each tablet saves about once a second (a fast person), and all of them in the same instant, again
and again. The floor is the same save by one tablet alone. What was confirmed is then compared with
what the database holds.
"""

import os
import random
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode
from uuid import uuid4

TABLETS = 30
ALONE = 150
SAVES = 20
PACE_S = 1.0
POLL_S = 6.0
BURSTS = 6
TOKEN = "t" * 32
PEOPLE = ("piers", "wanda", "idris")
VERSION = re.compile(rb'name="version" value="(\d+)"')


@dataclass
class Tablet:
    """One session on one row, with a connection of its own."""

    port: int
    session: str
    url: str
    job: str
    version: int
    since: int
    device: str = field(default_factory=lambda: uuid4().hex[:12])
    value: str = ""
    saved: int = 0
    save_s: list[float] = field(default_factory=list)
    poll_s: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.connection = HTTPConnection("127.0.0.1", self.port, timeout=60)

    def _call(self, method: str, path: str, body: str = "") -> tuple[int, bytes, str]:
        headers = {
            "Cookie": f"sessionid={self.session}; csrftoken={TOKEN}",
            "X-CSRFToken": TOKEN,
            "HX-Request": "true",
            "Content-Type": "application/x-www-form-urlencoded",
        }
        self.connection.request(method, path, body, headers)
        answer = self.connection.getresponse()
        content = answer.read()
        return answer.status, content, answer.getheader("Loombook-Since") or ""

    def save(self) -> None:
        value = f"P {uuid4().hex[:8]}"
        fields = {
            "version": self.version,
            "connector": value,
            "key": f"{self.device}_{uuid4().hex}",
        }
        began = time.perf_counter()
        status, content, _ = self._call("POST", self.url, urlencode(fields))
        self.save_s.append(time.perf_counter() - began)
        found = VERSION.search(content)
        if status != 200 or not found:
            self.errors.append(f"save {status}")
            return
        self.version, self.value, self.saved = int(found[1]), value, self.saved + 1

    def poll(self) -> None:
        query = urlencode(
            {"since": self.since, "device": self.device, "section": "channels", "show": "wires"}
        )
        began = time.perf_counter()
        status, _, since = self._call("GET", f"/jobs/{self.job}/bay/changes/?{query}")
        self.poll_s.append(time.perf_counter() - began)
        if status not in {200, 204}:
            self.errors.append(f"changes {status}")
        self.since = int(since or self.since)


def _at_pace(tablet: Tablet) -> None:
    """Save about once a second, ask for changes as the page does."""
    pause = threading.Event()
    next_poll = time.monotonic() + random.random() * POLL_S
    for _ in range(SAVES):
        pause.wait(PACE_S * (0.5 + random.random()))
        tablet.save()
        if time.monotonic() >= next_poll:
            tablet.poll()
            next_poll += POLL_S


def _in_bursts(tablet: Tablet, together: threading.Barrier) -> None:
    for _ in range(BURSTS):
        together.wait(120)
        tablet.save()


def _all(tablets: list[Tablet], work: object, *arguments: object) -> None:
    threads = [threading.Thread(target=work, args=(one, *arguments)) for one in tablets]
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def _sessions(port: int) -> list[Tablet]:
    """Each tablet with a session, on a row of its own."""
    from django.test import Client
    from django.urls import reverse

    from jobs.lifecycle import SHEET_OPEN
    from jobs.models import Channel, JobEvent
    from shop.models import StaffMember

    rows = Channel.objects.filter(job__stage__in=SHEET_OPEN).select_related("job")[:TABLETS]
    newest = JobEvent.objects.order_by("-pk")[0].pk
    tablets = []
    for place, row in enumerate(rows):
        client = Client()
        client.force_login(StaffMember.objects.get(username=PEOPLE[place % len(PEOPLE)]))
        session = client.cookies["sessionid"].value
        url = reverse("bay_wire_save", args=[row.job.number, row.pk])
        tablets.append(Tablet(port, session, url, str(row.job.number), row.version, newest))
    return tablets


def _report(tablets: list[Tablet], alone_s: float) -> int:
    from jobs.models import Channel, JobEvent
    from tests.bench.caller import p95

    def line(what: str, times: list[float], target: str) -> None:
        print(f"  {what:34} {p95(times) * 1000:8.1f} ms {p95(times) / alone_s:8.2f}   {target}")

    print(f"  {'one tablet alone, a save, p95':34} {alone_s * 1000:8.1f} ms {1:8.2f}")
    paced = [taken for one in tablets for taken in one.save_s[:SAVES]]
    burst = [taken for one in tablets for taken in one.save_s[SAVES:]]
    line(f"{TABLETS} tablets, a save a second each", paced, "at most 10 x")
    line(f"{TABLETS} tablets in the same instant", burst, "")
    line("asking for changes meanwhile", [taken for one in tablets for taken in one.poll_s], "")
    errors = [said for one in tablets for said in one.errors]
    lost = 0
    for one in tablets:
        row = Channel.objects.get(pk=int(one.url.rstrip("/").split("/")[-2]))
        logged = JobEvent.objects.filter(key__startswith=f"{one.device}_").count()
        lost += row.connector != one.value or logged != one.saved
    saved = sum(one.saved for one in tablets)
    print(f"  {saved} saves confirmed, {len(errors)} errors {errors[:3]}, {lost} rows lost a write")
    return int(bool(errors or lost))


def main() -> int:
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
    with tempfile.TemporaryDirectory() as name:
        os.environ["LOOMBOOK_DATA"] = name
        import django

        django.setup()
        from django.core.management import call_command
        from django.db import connection

        call_command("migrate", interactive=False, verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        from deploy.demo.loader import Loader

        Loader(lambda text: None).load()
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        where = {
            **os.environ,
            "HOST": "127.0.0.1",
            "PORT": str(port),
            "LOOMBOOK_HOSTS": "127.0.0.1",
        }
        root = Path(__file__).resolve().parents[2]
        server = subprocess.Popen(["deploy/serve.sh"], cwd=root, env=where)
        try:
            return _measure(port, connection.vendor)
        finally:
            server.terminate()
            server.wait(30)


def _measure(port: int, vendor: str) -> int:
    from tests.bench.caller import p95

    tablets = _sessions(port)
    first = tablets[0]
    pause = threading.Event()
    for _ in range(200):
        try:
            first.poll()
            break
        except OSError:
            first.connection.close()
            pause.wait(0.1)
    for _ in range(20):
        first.save()
    first.save_s.clear()
    for _ in range(ALONE):
        first.save()
    alone_s = p95(first.save_s)
    first.save_s.clear()
    print(f"{vendor}, {len(tablets)} tablets, {len(os.sched_getaffinity(0))} cores")
    _all(tablets, _at_pace)
    _all(tablets, _in_bursts, threading.Barrier(len(tablets)))
    return _report(tablets, alone_s)


if __name__ == "__main__":
    sys.exit(main())
