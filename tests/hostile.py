"""What is sent by somebody who means harm or by a hand on a wet screen, and how it is sent.

Values for the controls of a form: those that a person might give, and those that nearly fit or
do not fit at all. `Sender` sends them, each time in a transaction that is taken back.
"""

import random
import re
import traceback
from collections.abc import Iterator
from datetime import timedelta
from io import BytesIO
from typing import Any
from urllib.parse import urlencode

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.utils import timezone
from PIL import Image

from tests.factories import PASSWORD
from tests.form_walk import Control, Form
from tests.permission_ground import RESPONSE

PIXEL = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk"
    "YPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
HOSTILE = (
    "²",
    "٣",
    "-1",
    "0",
    "-0",
    "1.5",
    "1,5",
    "1e999",
    "-1e999",
    "1e308",
    "1e-400",
    "nan",
    "inf",
    "1_000",
    "0x10",
    "2147483648",
    str(2**63 - 1),
    str(2**63),
    str(2**64),
    "9" * 400,
    "9" * 5000,
    "0." + "9" * 5000,
    "\x00",
    "a\x00b",
    "9999-12-31",
    "0001-01-01",
    "2026-02-30",
    "9999-12-31T23:59",
    "9999-12-31T23:59:59-10:00",
    "2026-02-30T10:00:00+00:00",
    "24:00",
    "23:59:60",
    "[]",
    "{}",
    "null",
    '[{"kind": []}]',
    '[{"kind": "circle", "x": 1e999, "y": 0, "r": 0}]',
    "[" * 3000,
    '"\\ud800"',
    "<script>alert(1)</script>",
    "'; DROP TABLE jobs_job; --",
    "%s %d {0} {{ x }} {% x %}",
    "../../etc/passwd",
    "\r\nSet-Cookie: a=b",
    "\u202e\ufeff\U0001f600",
    "e\u0301" * 300,
    "x" * 70_000,
    " ",
    "\u00a0",
    "True",
    "None",
    "-",
    "+",
    ".",
    ":",
    ",",
    "channel:1",
    "channel:²",
    "channel:" + "9" * 30,
    "mark:x",
    "step:1:2",
    "add:peaking",
    "remove:²",
    "1,2,²",
    "no-such-thing",
)
"""What is typed by somebody who means harm, or by a hand on a wet screen."""

NUMBERS = tuple(one for one in HOSTILE if any(map(str.isdigit, one)) and len(one) < 6000)[:23]
DAYS = ("9999-12-31", "0001-01-01", "1969-12-31", "2100-01-01", "2026-02-30", "²")
TIMES = ("24:00", "23:59:60", "-1:00", "²", "10:00+14:00")


def _jpeg() -> bytes:
    held = BytesIO()
    Image.new("RGB", (40, 30), "teal").save(held, "JPEG")
    return held.getvalue()


JPEG = _jpeg()
PEOPLE = b"Name,Phone\nOda Lindqvist,556 0199\n"
CSV = b"Maker,Name,Channels,75 W at 4 ohm\nTarnholt,Seven,4,75\n"
FILES = {
    "photo": ("photo.jpg", JPEG),
    "guide": ("guide.txt", b"Cut here."),
    "text_files": ("left.txt", RESPONSE.encode()),
    "file": ("list.csv", CSV),
}
BAD_FILES = (
    ("empty.txt", b""),
    ("a.pdf", b"%PDF-1.7\n\x00\xff"),
    ("x" * 400 + ".jpg", JPEG[: len(JPEG) // 2]),
    ("..\\..\\a.png", b"\x89PNG\r\n\x1a\n" + bytes(40)),
    ("list.csv", b"\xff\xfe\x00\x00" + bytes(range(256))),
    ("list.csv", b'Maker,Name\n"' + b"a," * 5000),
    ("list.xlsx", b"PK\x03\x04" + bytes(200)),
    ("left.txt", "1e999 ²\n9999-12-31 nan\n".encode()),
    ("setup.json", b'{"format": "loombook-setups", "format_version": []}'),
    ("setup.json", b"[" * 100_000),
)

_NUMERIC = re.compile(r"_(hz|db|ohm|w|v|a|m|mm|ms|mohm|ah|c)(_|$)|^q|quantity|parallel|bundled")


def plausible(control: Control) -> list[Any]:
    """What a person might send for a control: what stands there, or something fitting."""
    if control.kind == "file":
        name, data = FILES.get(control.name, FILES["guide"])
        return [SimpleUploadedFile(name, data)]
    if control.kind == "password":
        return [PASSWORD]
    if "signature" in control.name and control.kind == "hidden":
        return [PIXEL]
    held = [value for value in control.values if value]
    if held or control.kind in {"hidden", "vals", "search"}:
        return list(control.values)
    if control.kind == "submit":
        return list(control.values)
    if control.kind in {"select", "radio"}:
        return [one for one in control.choices if one][:1]
    if control.kind == "checkbox":
        return []
    soon = timezone.localtime() + timedelta(days=3)
    fitting = {
        "date": soon.strftime("%Y-%m-%d"),
        "time": "10:00",
        "number": "2",
        "email": "ada@example.org",
        "tel": "555 0199",
    }
    if control.kind in fitting:
        return [fitting[control.kind]]
    return ["4" if _NUMERIC.search(control.name) else "Something"]


def wrong_type(control: Control) -> str:
    if control.kind in {"number", "hidden"} or _NUMERIC.search(control.name):
        return "many"
    return {"date": "soon", "time": "late", "email": "nobody"}.get(control.kind, "no-such-thing")


def hostile(control: Control | None, chance: random.Random) -> str:
    """A hostile value: as often as not one that nearly fits the control."""
    kind, name = (control.kind, control.name) if control is not None else ("", "")
    if chance.random() < 0.5:
        return chance.choice(HOSTILE)
    if kind in {"date", "time"}:
        return chance.choice(DAYS if kind == "date" else TIMES)
    if kind in {"number", "hidden", "vals"} or _NUMERIC.search(name):
        return chance.choice(NUMBERS)
    return chance.choice(HOSTILE)


def bad_file(chance: random.Random) -> SimpleUploadedFile:
    return SimpleUploadedFile(*chance.choice(BAD_FILES))


CHOSEN = frozenset({"select", "radio", "checkbox", "submit"})
"""Kinds of controls that nobody writes in."""


def each_field_wrong(form: Form, chance: random.Random) -> Iterator[tuple[str, list[Any]]]:
    """Each control of a form left out (or, where it is typed into, empty as often), too long, and
    of the wrong type or hostile."""
    for control in form.controls:
        yield control.name, [""] if control.typed and chance.random() < 0.5 else []
        if control.kind == "file":
            yield control.name, [bad_file(chance)]
            continue
        if control.kind not in CHOSEN:
            digits = control.kind in {"number", "hidden"} or _NUMERIC.search(control.name)
            yield control.name, ["9" * 5000 if digits else "x" * 6000]
        wrong = control.typed and chance.random() < 0.5
        yield control.name, [wrong_type(control) if wrong else hostile(control, chance)]


class Sender:
    """Sends requests, each in a transaction that is taken back, and keeps what went wrong."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.problems: dict[str, str] = {}
        self.sent = 0

    def problem(self, sort: str, told: str) -> None:
        self.problems.setdefault(sort, told)

    def ask(self, address: str, method: str = "get", data: Any = None, **more: Any) -> Any:
        """One request, inside a transaction of the caller's."""
        self.sent += 1
        cookies = {name: morsel.value for name, morsel in self.client.cookies.items()}
        try:
            if isinstance(data, str | bytes):
                answer = self.client.generic(method.upper(), address, data, **more)
            else:
                answer = getattr(self.client, method)(address, data, **more)
        finally:
            for name in [one for one in self.client.cookies if one not in cookies]:
                del self.client.cookies[name]
            for name, value in cookies.items():
                self.client.cookies[name] = value
        if answer.status_code >= 500:
            self._keep(answer, f"{method} {address[:150]} {str(data)[:200]}")
        return answer

    def _keep(self, answer: Any, told: str) -> None:
        info = getattr(answer, "exc_info", None)
        if not info:
            self.problem(f"{answer.status_code} at {told[:60]}", told)
            return
        frames = [
            one for one in traceback.extract_tb(info[2]) if "site-packages" not in one.filename
        ]
        views = [one for one in frames if "/views/" in one.filename] or frames
        places = [f"{one.filename}:{one.lineno} {one.name}" for one in (views[-1], frames[-1])]
        sort = " ".join((*places, info[0].__name__))
        self.problem(sort, f"{told} -> {str(info[1])[:150]}")

    def send(self, address: str, method: str = "get", data: Any = None, **more: Any) -> Any:
        with transaction.atomic():
            answer = self.ask(address, method, data, **more)
            transaction.set_rollback(True)
        return answer

    def post(
        self, form: Form, sent: dict[str, list[Any]], times: int = 1, look: bool = False
    ) -> Any:
        """Post a form, so many times; `look` at the pages that show what was taken."""
        with transaction.atomic():
            for _ in range(times):
                answer = self._post(form, sent)
            if answer.status_code < 400:
                try:
                    connection.check_constraints()
                except DatabaseError as error:
                    self.problem(f"{form.url_name} {error}"[:90], f"{form.address} {sent}"[:400])
                else:
                    for address in self._shown_on(form, answer) if look else ():
                        self.ask(address)
            transaction.set_rollback(True)
        return answer

    def _post(self, form: Form, sent: dict[str, list[Any]]) -> Any:
        headers = {"HX-Request": "true"} if form.htmx else {}
        files = [one for values in sent.values() for one in values if not isinstance(one, str)]
        if form.with_files or files:
            for one in files:
                one.seek(0)
            return self.ask(form.address, "post", sent, headers=headers)
        body = urlencode(sent, doseq=True)
        kind = "application/x-www-form-urlencoded"
        return self.ask(form.address, "post", body, content_type=kind, headers=headers)

    @staticmethod
    def _shown_on(form: Form, answer: Any) -> list[str]:
        job = re.match(r"/jobs/\d+/", form.address)
        pages = [answer.get("Location", ""), form.page]
        pages += [f"{job[0]}?history=all", f"{job[0]}bay/findings/"] if job else []
        return [one for one in dict.fromkeys(pages) if one.startswith("/")]

    def told(self) -> str:
        """What went wrong, each sort once."""
        found = sorted(self.problems.items())
        return "\n".join(f"{sort}\n    {what[:400]}" for sort, what in found)
