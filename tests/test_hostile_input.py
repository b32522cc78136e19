"""Whatever is sent, the server answers: never an error of its own, and nothing typed is lost.

Every form of every page is posted with each field missing, empty, too long, of the wrong type and
hostile; then a seeded sample of posts, addresses and headers made of hostile values. A longer run:
`pytest tests/test_hostile_input.py --posts 5000 --seed 7`.
"""

import random
import re
import traceback
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.utils import timezone
from PIL import Image

from jobs.lifecycle import Stage
from shop.models import CatalogueUpload
from shop.roles import Role
from tests.factories import PASSWORD, make_job, make_staff
from tests.form_walk import Control, Form, Walk, forms_in, says_something, tree_of
from tests.permission_ground import RESPONSE, Ground, lay_ground
from tests.permission_table import TABLE
from tests.url_table import URLS, address_of

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

HIDDEN_NAMES = ("version", "key", "section", "kind", "job", "target", "seen", "next", "then")
"""Names that views read though no form shows them."""

BY_HAND: dict[str, tuple[str, ...]] = {
    "part_add": ("product", "quantity"),
    "photo_list": ("photo", "subject", "key", "caption", "taken_at"),
    "step_kind_order": ("order",),
    "step_kind_copy": ("other",),
    "setup_learn": ("fold", "note", "token", "on"),
    "product_import_apply": ("digest",),
    "tablet_switch": ("person", "pin", "next"),
    "login": ("username", "password", "next"),
    "bay_arrange": ("joining", "coil_joining"),
    "bay_run_propose": ("metal", "key"),
    "bay_channel_speaker": ("speaker", "off"),
    "bay_seat_save": ("weight", "version", "key"),
    "bay_proposal_apply": ("channel", "how", "shown", "key"),
    "bay_sections_save": ("kind", "frequency_hz", "gain_db", "q", "version", "then", "key"),
    "bay_sections_try": ("kind", "frequency_hz", "gain_db", "q", "do"),
    "bay_capture_save": ("name", "side", "points", "version", "key"),
    "setup_apply": ("token", "all", "item"),
    "setup_import": ("file", "content", "take", "setup"),
    "review_sign": ("signature", "key"),
    "clock_pause": ("key", "next"),
    "clock_stop": ("key", "next"),
    "clock_still": ("next",),
    "finding_reason": ("reason", "key"),
}
"""What scripts send, and what pages show in a state that the ground has not."""

ASKED: dict[str, tuple[str, ...]] = {
    "bay_changes": ("since", "device", "section", "show", "page", "seen"),
    "bay_day": ("job", "bay", "starts_at_0", "starts_at_1", "ends_at_0", "ends_at_1"),
    "book": ("customer", "vehicle", "comeback_of", "day"),
    "board": ("bay", "day", "person", "technician", "by", "digest"),
    "vin_report": ("vin", "vehicle-vin", "vehicle-year", "but", "prefix"),
    "bay_curves": ("first", "second", "channel", "picked", "show", "what"),
    "bay_measured_shown": ("playing", "phase", "channel", "seat"),
    "bay_proposal": ("channel", "how"),
    "bay_levels": ("step", "show"),
    "bay_place": ("target",),
    "labels": ("sheet", "start", "from", "which", "copies", "skip", "what"),
    "labels_pdf": ("sheet", "start", "from", "which", "copies", "skip", "what"),
    "customer_pick": ("customer", "mode", "customer_search"),
    "vehicle_pick": ("vehicle", "customer", "mode", "vehicle_search"),
    "model_pick": ("vehicle_model", "mode", "model_search"),
    "part_options": ("part_search", "job"),
    "tablet_switch": ("person", "next"),
    "product_export": ("kind", "as", "old"),
    "photo_list": ("subject",),
}
"""Names that scripts ask with, beyond those of links and forms."""

LEAVES = frozenset({"logout", "tablet_lock", "password_change", "sheet_preview", "sheet_pdf"})
"""Pages that end the sign-in, or that take long to draw and read nothing."""

PDF = frozenset({"labels_pdf"})


def _jpeg() -> bytes:
    held = BytesIO()
    Image.new("RGB", (40, 30), "teal").save(held, "JPEG")
    return held.getvalue()


JPEG = _jpeg()
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


def bad_file(chance: random.Random) -> SimpleUploadedFile:
    return SimpleUploadedFile(*chance.choice(BAD_FILES))


def each_field_wrong(form: Form, chance: random.Random) -> Iterator[tuple[str, str, list[Any]]]:
    """Each control of a form missing, empty, too long, of the wrong type and hostile."""
    for control in form.controls:
        yield control.name, "missing", []
        if control.kind == "file":
            yield control.name, "hostile", [bad_file(chance)]
            continue
        if not any(control.values) and control.kind in {"hidden", "search"}:
            yield control.name, "hostile", [chance.choice(HOSTILE)]
            continue
        yield control.name, "empty", [""]
        digits = control.kind in {"number", "hidden"} or _NUMERIC.search(control.name)
        yield control.name, "too long", ["9" * 5000 if digits else "x" * 6000]
        yield control.name, "wrong type", [wrong_type(control)]
        yield control.name, "hostile", [chance.choice(HOSTILE)]


class Sender:
    """Sends requests, each in a transaction that is taken back, and keeps what went wrong."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.problems: dict[str, str] = {}
        self.sent = 0

    def problem(self, sort: str, told: str) -> None:
        if sort not in self.problems:
            with open("/tmp/problems.txt", "a") as file:
                file.write(f"{sort}\n      {told[:500]!r}\n")
        self.problems.setdefault(sort, told)

    def ask(self, address: str, method: str = "get", data: Any = None, **more: Any) -> Any:
        """One request, inside a transaction of the caller's."""
        self.sent += 1
        cookies = {name: morsel.value for name, morsel in self.client.cookies.items()}
        try:
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


def _plain(value: str) -> str:
    return "".join(value.replace("\x00", "").split())


def what_was_lost(form: Form, sent: dict[str, list[Any]], root: Any) -> list[str]:
    """Names of typed values that the page shown again does not hold."""
    path = urlsplit(form.address).path
    shown: dict[str, Control] = {}
    for one in forms_in(root, form.address):
        if not one.htmx and urlsplit(one.address).path == path:
            for control in one.controls:
                shown.setdefault(control.name, control)
    lost = []
    for control in form.controls:
        values = sent.get(control.name)
        if not control.typed or not values or control.kind in {"search"}:
            continue
        back = shown.get(control.name)
        held = [_plain(one) for one in back.values] if back else []
        if control.choices:
            wanted = [_plain(one) for one in values if one in control.choices]
        else:
            wanted = [_plain(one) for one in values]
        if any(one and one not in held for one in wanted):
            lost.append(control.name)
    return lost


def check_answer(sender: Sender, form: Form, sent: dict[str, list[Any]], what: str) -> None:
    """What must be true of any answer to a plain form."""
    answer = sender.post(form, sent)
    status = answer.status_code
    if form.htmx or status >= 500:
        return
    name = what.partition(" ")[0]
    typed = next((one.typed for one in form.controls if one.name == name), False)
    if status in {400, 403, 404, 405} and typed:
        sender.problem(f"{form.url_name} {name} answered {status}", what)
        return
    if "html" not in answer.get("Content-Type", "") or status in {204, 302, 303, 400, 403, 404}:
        return
    root = tree_of(answer.content.decode())
    if not typed:
        return
    if status == 200:
        sender.problem(f"{form.url_name} answered 200 to a post", what)
    if not says_something(root):
        sender.problem(f"{form.url_name} says nothing", what)
    if lost := what_was_lost(form, sent, root):
        sender.problem(f"{form.url_name} lost {lost}", what)


@pytest.fixture
def ground() -> Ground:
    return lay_ground()


@pytest.fixture
def sender(ground: Ground) -> Sender:
    client = Client(raise_request_exception=False)
    client.force_login(make_staff(*Role))
    return Sender(client)


def booked_pages() -> list[str]:
    """Pages of jobs in stages that the ground has not."""
    booked = make_job(Stage.BOOKED)
    return [
        f"/jobs/{booked.number}/check-in/",
        f"/jobs/{booked.number}/edit/",
        f"/jobs/{booked.number}/",
        "/book/parts/?part_search=a&job=1",
        f"/book/?customer={booked.customer_id}",
        "/book/?day=2030-01-01",
    ]


def walk_of(sender: Sender, ground: Ground) -> Walk:
    """Every form of the product, those that scripts make included."""
    client = sender.client
    client.post("/catalogue/import/", {"file": SimpleUploadedFile("list.csv", CSV)})
    upload = CatalogueUpload.objects.latest("pk").pk
    ground.keys |= dict.fromkeys(
        ("product_import_map", "product_import_preview", "product_import_apply"), upload
    )
    walk = Walk(client, LEAVES | PDF)
    addresses = {url.name: address_of(url, ground) for url in URLS if url.name in TABLE}
    walk.read([*booked_pages(), *addresses.values()])
    fragments = {
        "book": ["/book/vehicle/?mode=new", "/book/model/?mode=new", "/book/customer/?mode=new"],
        "vehicle_create": ["/book/model/?mode=new"],
    }
    for form in list(walk.forms.values()):
        if form.url_name in fragments and not {"customer", "vehicle"} & {
            one.name for one in form.controls if form.url_name == "book"
        }:
            held = {one.name: one for one in form.controls}
            for address in fragments[form.url_name]:
                wrapped = f"<form method=post>{client.get(address).content.decode()}</form>"
                root = tree_of(wrapped)
                for one in forms_in(root, form.address):
                    held |= {control.name: control for control in one.controls}
            made = Form(form.address, tuple(held.values()), False, form.page)
            walk.forms[made.kind] = made
    reached = {form.url_name for form in walk.forms.values()}
    for name, address in addresses.items():
        if name in LEAVES:
            continue
        names = BY_HAND.get(name, () if name in reached else HIDDEN_NAMES)
        if names:
            controls = tuple(
                Control(one, "file" if one in FILES else "vals", ("",)) for one in names
            )
            made = Form(address, controls, True, "", "file" in names or "photo" in names)
            walk.forms[made.kind] = made
    return walk


def told(problems: dict[str, str]) -> str:
    return "\n".join(f"{sort}\n    {what[:400]}" for sort, what in sorted(problems.items()))


@pytest.mark.django_db
def test_each_field_of_each_form_wrong(
    sender: Sender, ground: Ground, pytestconfig: pytest.Config
) -> None:
    chance = random.Random(pytestconfig.getoption("--seed"))
    walk = walk_of(sender, ground)
    sender.sent = 0
    done: set[tuple[str, str]] = set()
    for form in sorted(walk.forms.values(), key=lambda one: (one.htmx, one.url_name, one.address)):
        usual = {one.name: plausible(one) for one in form.controls}
        fresh_names = {one.name for one in form.controls} - {
            name for of, name in done if of == form.url_name
        }
        done |= {(form.url_name, name) for name in fresh_names}
        for name, case, values in each_field_wrong(form, chance):
            if name not in fresh_names:
                continue
            fresh = {one.name: plausible(one) for one in form.controls if one.kind == "file"}
            sent = {**usual, **fresh, name: values}
            check_answer(sender, form, sent, f"{name} {case}: {str(values)[:60]}")
    print("sent", sender.sent)
    assert not sender.problems, told(sender.problems)


def elsewhere(form: Form, chance: random.Random) -> Form:
    """Now and then the same form sent to another row or job, there or not."""
    numbers = list(re.finditer(r"\d+", form.address))
    if not numbers or chance.random() > 0.15:
        return form
    found = chance.choice(numbers)
    other = chance.choice(("0", "1", "2", "1002", "1003", str(2**31), str(2**63), "9" * 30))
    address = form.address[: found.start()] + other + form.address[found.end() :]
    return replace(form, address=address)


@pytest.mark.django_db
def test_a_sample_of_hostile_requests(
    sender: Sender, ground: Ground, pytestconfig: pytest.Config
) -> None:
    chance = random.Random(pytestconfig.getoption("--seed"))
    walk = walk_of(sender, ground)
    forms = sorted(walk.forms.values(), key=lambda one: (one.url_name, one.address, one.htmx))
    sender.sent = 0
    for _ in range(pytestconfig.getoption("--posts")):
        form = chance.choice(forms)
        sent = {one.name: plausible(one) for one in form.controls}
        names = [one.name for one in form.controls] + list(HIDDEN_NAMES)
        for name in chance.sample(names, min(len(names), chance.choice((1, 1, 2, 3)))):
            kind = next((one.kind for one in form.controls if one.name == name), "")
            if kind == "file":
                sent[name] = [bad_file(chance)]
            elif chance.random() < 0.1:
                sent.pop(name, None)
            else:
                count = chance.choice((1, 1, 1, 1, 3))
                sent[name] = [chance.choice(HOSTILE) for _ in range(count)]
        times = chance.choice((1, 1, 1, 1, 2))
        sender.post(elsewhere(form, chance), sent, times, look=chance.random() < 0.3)
    assert not sender.problems, told(sender.problems)


@pytest.mark.django_db
def test_a_sample_of_hostile_addresses(
    sender: Sender, ground: Ground, pytestconfig: pytest.Config
) -> None:
    chance = random.Random(pytestconfig.getoption("--seed"))
    walk = walk_of(sender, ground)
    sender.sent = 0
    asked = {
        name: sorted(walk.asked.get(name, set()) | set(ASKED.get(name, ())))
        for name in {*walk.asked, *ASKED}
    }
    urls = [url for url in URLS if url.name in TABLE and url.name not in LEAVES]
    short = [one for one in HOSTILE if len(one) < 6000]
    for _ in range(pytestconfig.getoption("--posts")):
        url = chance.choice(urls)
        names = asked.get(url.name) or ["q", "page"]
        query = [(name, chance.choice(short)) for name in chance.sample(names, min(len(names), 3))]
        address = urlsplit(address_of(url, ground)).path
        headers = {"HX-Request": "true"} if chance.random() < 0.3 else {}
        sender.send(f"{address}?{urlencode(query)}", headers=headers)
    for url in urls:
        for argument in url.arguments:
            for value in (*chance.sample(short, 4), str(2**63), "²", "a\x00b"):
                path = re.sub(rf"<\w+:{argument}>", lambda _, v=value: quote(v, safe=""), url.route)
                for other, held in {"number": ground.number, **ground.given, "pk": 1}.items():
                    path = re.sub(rf"<\w+:{other}>", str(held), path)
                for method in ("get", "post"):
                    sender.send(f"/{path}", method)
    print("sent", sender.sent)
    assert not sender.problems, told(sender.problems)
