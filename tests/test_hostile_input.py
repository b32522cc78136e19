"""Whatever is sent, the server answers: never with an error of its own, nothing typed is lost.

Every form of every page is posted with each field missing, empty, too long, of the wrong type and
hostile. Then a seeded sample of posts, addresses and headers is made of hostile values. A longer
run with another seed: `pytest tests/test_hostile_input.py --seed 7 --posts 5000`.
"""

import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.lifecycle import Stage
from shop.models import CatalogueUpload
from shop.roles import Role
from shop.session_keys import PROVED
from tests.factories import make_job, make_staff
from tests.form_walk import Control, Form, Node, Walk, forms_in, says_something, tree_of
from tests.hostile import (
    BAD_FILES,
    CSV,
    FILES,
    HOSTILE,
    PEOPLE,
    Sender,
    bad_file,
    each_field_wrong,
    hostile,
    plausible,
)
from tests.laid_once import laid_once
from tests.permission_ground import Ground, lay_ground
from tests.permission_table import TABLE
from tests.url_table import URLS, address_of

LEAVES = frozenset(
    {"logout", "sign_in_end", "tablet_lock", "password_change"}
    | {"sheet_preview", "sheet_pdf", "customer_sheet_pdf", "wiring_preview", "wiring_sheet_pdf"}
)
"""What ends the sign-in, or takes long to draw and reads nothing."""

HIDDEN_NAMES = ("version", "key", "section", "kind", "job", "target", "seen", "next", "then")
"""Names that views may read though the form does not show them."""

BY_HAND: dict[str, tuple[str, ...]] = {
    "login": ("username", "password", "next"),
    "second_factor_show": ("second", "passkey", "remember"),
    "second_factor_app": ("second",),
    "second_factor_passkey": ("name", "passkey"),
    "second_factor_remove": ("passkey",),
    "second_factor_codes": (),
    "passkey_make_options": (),
    "passkey_show_options": (),
    "branch_show": ("branch", "next"),
    "tablet_switch": ("person", "pin", "next"),
    "staff_sign_in_end": ("mark",),
    "product_import_apply": ("digest",),
    "customer_import_apply": ("digest", "without_wrong", "row_2"),
    "customer_import_take_back": (),
    "part_add": ("product", "quantity"),
    "check_in": ("odometer", "mark_kind", "mark_x", "mark_y", "mark_note", "mark_key", "do"),
    "photo_list": ("photo", "subject", "key", "caption", "taken_at"),
    "photo_put_back": (),
    "review_sign": ("key",),
    "finding_reason": ("reason", "key"),
    "setup_learn": ("fold", "note", "token", "on"),
    "setup_import": ("file", "content", "take", "setup"),
    "setup_apply": ("token", "all", "item"),
    "setup_bring_back": (),
    "setup_take": (),
    "setup_parts": (),
    "bay_finding_reasons": ("fingerprint", "reason", "key"),
    "bay_proof_save": (
        "polarity_proved",
        "polarity_by",
        "measured_load_ohm",
        "version",
        "key",
        "seen",
    ),
    "step_kind_copy": ("other",),
    "step_kind_order": ("order",),
    "step_kind_usual": (),
    "cause_usual": (),
    "mail_settle": ("arrived",),
    "clock_pause": ("key", "next"),
    "clock_stop": ("key", "next"),
    "clock_still": ("next",),
    "bay_supply_part_add": ("product", "key"),
    "job_shift": ("bay", "to", "version", "confirmed", "day"),
    "hook_again": (),
    "holiday_work": ("day", "works"),
    "bay_move": ("section",),
    "bay_undo": ("key",),
    "bay_panels_refitted": ("key",),
    "bay_entry_round": ("key",),
    "bay_recording_delays": ("key",),
    "bay_recording_levels": ("key",),
    "bay_takes_average": ("key",),
    "bay_arrange": ("joining", "coil_joining"),
    "bay_run_propose": ("metal", "key"),
    "bay_channel_speaker": ("speaker", "off"),
    "bay_sets": ("member", "key", "seen", "target"),
    "bay_setting_copy": ("what", "to", "only", "key", "seen"),
    "bay_start_elsewhere": ("bay",),
    "product_correction": ("do",),
    "bay_seat_save": ("weight", "version", "key"),
    "bay_proposal_apply": ("channel", "how", "shown", "key"),
    "bay_sections_save": ("kind", "frequency_hz", "gain_db", "q", "version", "then", "also", "key"),
    "bay_sections_try": ("kind", "frequency_hz", "gain_db", "q", "do"),
    "bay_capture_save": ("name", "side", "points", "version", "key"),
}
"""What scripts send, and what pages show only in a state that the ground is not in."""

ASKED: dict[str, tuple[str, ...]] = {
    "bay_changes": ("since", "device", "section", "show", "page", "seen"),
    "bay_day": ("job", "bay", "starts_at_0", "starts_at_1", "ends_at_0", "ends_at_1"),
    "book": ("customer", "vehicle", "comeback_of", "day"),
    "board": ("bay", "who", "by", "seen"),
    "vin_report": ("vin", "vehicle-vin", "vehicle-year", "but", "prefix"),
    "bay_curves": ("first", "second", "channel", "picked", "shown", "quantity"),
    "bay_record_compare": ("first", "second"),
    "bay_proposal": ("channel", "how"),
    "bay_levels": ("step", "show"),
    "bay_place": ("target",),
    "labels": ("sheet", "start", "style", "n-wire-1-negative"),
    "labels_pdf": ("sheet", "start", "style", "n-wire-1-negative"),
    "customer_pick": ("customer", "mode", "customer_search"),
    "vehicle_pick": ("vehicle", "customer", "mode", "vehicle_search"),
    "model_pick": ("vehicle_model", "mode", "model_search"),
    "part_options": ("part_search", "job"),
    "tablet_switch": ("person", "next"),
    "photo_list": ("subject",),
}
"""Names that scripts ask with, beyond those of links and forms."""

PARTS = {
    "book": ("/book/vehicle/?mode=new", "/book/model/?mode=new", "/book/customer/?mode=new"),
    "vehicle_create": ("/book/model/?mode=new",),
}
"""Parts of a page that are asked for while it is filled in."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


@pytest.fixture(autouse=True)
def data_folder(settings: Any, folder: Path) -> Path:
    """The files of the ground, which is laid once."""
    settings.DATA_DIR, settings.MEDIA_ROOT = folder, folder / "media"
    return folder


@pytest.fixture(scope="module")
def ground(django_db_setup: None, django_db_blocker: Any, folder: Path) -> Iterator[Ground]:
    """What every request finds; each request is taken back, and the ground after the last."""
    with laid_once(django_db_blocker, folder):
        yield lay_ground()


@pytest.fixture(scope="module")
def client_of_all(ground: Ground) -> Client:
    """A person of every role who has just shown that it is them."""
    client = Client(raise_request_exception=False)
    client.force_login(make_staff(*Role))
    session = client.session
    session[PROVED] = timezone.now().isoformat()
    session.save()
    return client


@pytest.fixture
def sender(client_of_all: Client) -> Sender:
    return Sender(client_of_all)


@pytest.fixture
def chance(pytestconfig: pytest.Config) -> random.Random:
    return random.Random(pytestconfig.getoption("--seed"))


@pytest.fixture(scope="module")
def walk(client_of_all: Client, ground: Ground) -> Walk:
    """Every form of the product, with those that scripts make."""
    client = client_of_all
    client.post(reverse("product_import"), {"file": SimpleUploadedFile("list.csv", CSV)})
    ground.keys["product_import"] = CatalogueUpload.objects.latest("pk").pk
    client.post(reverse("customer_import"), {"file": SimpleUploadedFile("list.csv", PEOPLE)})
    ground.keys["customer_import"] = CatalogueUpload.objects.latest("pk").pk
    booked = make_job(Stage.BOOKED)
    addresses = {url.name: address_of(url, ground) for url in URLS if url.name in TABLE}
    addresses["check_in"] = reverse("check_in", args=[booked.number])
    more = [
        reverse("job", args=[booked.number]),
        reverse("job_edit", args=[booked.number]),
        f"{reverse('book')}?customer={booked.customer_id}",
        f"{reverse('part_options')}?part_search=a&job={booked.pk}",
    ]
    walk = Walk(client, LEAVES | {"labels_pdf"})
    walk.read([*addresses.values(), *more])
    for form in list(walk.forms.values()):
        walk.keep(with_parts(client, form))
    for name, names in BY_HAND.items():
        made = [Control(one, "file" if one in FILES else "vals", ("",)) for one in names]
        walk.keep(Form(addresses[name], tuple(made), True, "", "file" in names))
    return walk


def with_parts(client: Client, form: Form) -> Form:
    """The form with every part of its page opened for something new."""
    held = {one.name: one for one in form.controls}
    if form.url_name == "book" and ("customer" in held or "vehicle" in held):
        return form
    for address in PARTS.get(form.url_name, ()):
        part = f"<form method=post>{client.get(address).content.decode()}</form>"
        for one in forms_in(tree_of(part), form.address):
            held |= {control.name: control for control in one.controls}
    return replace(form, controls=tuple(held.values()))


def in_order(walk: Walk) -> list[Form]:
    return sorted(walk.forms.values(), key=lambda one: (one.htmx, one.url_name, one.address))


def _plain(value: str) -> str:
    return "".join(value.replace("\x00", "").split())


def what_was_lost(form: Form, sent: dict[str, list[Any]], root: Node) -> list[str]:
    """Names of typed values that the page shown again does not hold."""
    path = urlsplit(form.address).path
    shown: dict[str, Control] = {}
    for one in forms_in(root, form.address):
        if not one.htmx and urlsplit(one.address).path == path:
            for control in one.controls:
                shown.setdefault(control.name, control)
    lost = []
    for control in form.controls:
        if not control.typed or control.kind == "search":
            continue
        values = [
            one for one in sent[control.name] if one in control.choices or not control.choices
        ]
        back = shown.get(control.name)
        held = {_plain(one) for one in back.values} if back else set()
        if any(_plain(one) and _plain(one) not in held for one in values):
            lost.append(control.name)
    return lost


def judge(sender: Sender, form: Form, name: str, sent: dict[str, list[Any]], answer: Any) -> None:
    """What must be true of the answer to a form of a page in which one typed field is wrong."""
    status = answer.status_code
    typed = any(one.typed for one in form.controls if one.name == name)
    if form.htmx or not typed or status >= 500 or status in {302, 303}:
        return
    told = f"{name}: {sent[name]}"
    if status not in {409, 422} or "html" not in answer.get("Content-Type", ""):
        sender.problem(f"{form.url_name} answered {status} for {name}", told)
        return
    root = tree_of(answer.content.decode())
    if not says_something(root):
        sender.problem(f"{form.url_name} does not say what is wrong with {name}", told)
    if lost := what_was_lost(form, sent, root):
        sender.problem(f"{form.url_name} lost {lost}", told)


def fields_in_order(walk: Walk) -> list[tuple[Form, frozenset[str]]]:
    """Each form with those of its fields that no form before it of the same kind has.

    What makes a thing and what changes it are one kind.
    """
    seen: set[tuple[str, str]] = set()
    forms = []
    for form in in_order(walk):
        kind = re.sub("_(create|edit)$", "", form.url_name)
        sorts = {one.name: (kind, re.sub(r"\d+", "", one.name)) for one in form.controls}
        forms.append((form, frozenset(name for name, sort in sorts.items() if sort not in seen)))
        seen.update(sorts.values())
    return forms


@pytest.mark.django_db
def test_each_form_is_walked(walk: Walk) -> None:
    posted = {form.url_name for form in walk.forms.values()} | LEAVES
    only_posts = {name for name, status in walk.answered.items() if status == 405}
    assert not only_posts - posted, f"say in BY_HAND what these are sent: {only_posts - posted}"
    assert sum(len(names) for _, names in fields_in_order(walk)) > 500, "most were not found"


@pytest.mark.django_db
@pytest.mark.parametrize("part", [0, 1])
def test_each_field_of_each_form_wrong(
    sender: Sender, walk: Walk, chance: random.Random, part: int
) -> None:
    """Each database takes every second form: together they take all, in half the time."""
    first = 2 * part + (connection.vendor == "postgresql")
    for form, names in fields_in_order(walk)[first::4]:
        usual = {one.name: plausible(one) for one in form.controls}
        for name, values in each_field_wrong(form, chance):
            if name in names:
                sent = {**usual, name: values}
                judge(sender, form, name, sent, sender.post(form, sent))
    assert sender.sent > 250
    assert not sender.problems, sender.told()


@pytest.mark.django_db
def test_a_sample_of_hostile_posts(
    sender: Sender, walk: Walk, chance: random.Random, pytestconfig: pytest.Config
) -> None:
    forms = in_order(walk)
    for _ in range(pytestconfig.getoption("--posts")):
        form = chance.choice(forms)
        controls = {one.name: one for one in form.controls}
        sent = {name: plausible(one) for name, one in controls.items()}
        names = [*controls, *HIDDEN_NAMES]
        for name in chance.sample(names, chance.choice((1, 1, 2, 3))):
            control = controls.get(name)
            if control is not None and control.kind == "file":
                sent[name] = [bad_file(chance)]
            elif chance.random() < 0.1:
                sent.pop(name, None)
            else:
                count = chance.choice((1, 1, 1, 1, 3))
                sent[name] = [hostile(control, chance) for _ in range(count)]
        times = chance.choice((1, 1, 1, 1, 2))
        sender.post(elsewhere(form, chance), sent, times, look=chance.random() < 0.3)
    assert not sender.problems, sender.told()


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
def test_a_sample_of_hostile_addresses(
    sender: Sender, walk: Walk, ground: Ground, chance: random.Random, pytestconfig: pytest.Config
) -> None:
    urls = [url for url in URLS if url.name in TABLE and url.name not in LEAVES]
    short = [one for one in HOSTILE if len(one) < 6000]
    for _ in range(pytestconfig.getoption("--posts")):
        url = chance.choice(urls)
        asked = sorted(walk.asked.get(url.name, set()) | set(ASKED.get(url.name, ())))
        names = chance.sample(asked or ["q", "page"], min(len(asked) or 2, 3))
        query = urlencode([(name, chance.choice(short)) for name in names])
        path = urlsplit(address_of(url, ground)).path
        headers = {"HX-Request": "true"} if chance.random() < 0.3 else {}
        sender.send(f"{path}?{query}", headers=headers)
    for url in urls:
        for argument in url.arguments:
            whole = f"<int:{argument}>" in url.route
            values = ("0", str(2**31), str(2**63)) if whole else ("²", "a\x00b", *short)
            for value in (*values[:2], chance.choice(values[2:])):
                path = address_with(url.route, ground, argument, value)
                sender.send(path, chance.choice(("get", "post")))
    assert not sender.problems, sender.told()


def address_with(route: str, ground: Ground, argument: str, value: str) -> str:
    """A route with a value in place of one argument, and of the others what the ground has."""
    given = {"number": ground.number, "pk": 1, **ground.given, argument: value}
    return "/" + re.sub(r"<\w+:(\w+)>", lambda found: quote(str(given[found[1]]), safe=""), route)


@pytest.mark.django_db
@pytest.mark.parametrize("charset", ["hex", "rot13", "unicode_escape", "utf-16", "no-such"])
def test_text_in_an_encoding_of_the_senders_own(sender: Sender, charset: str) -> None:
    kind = f"text/plain; charset={charset}"
    sender.send("/find/?q=%5Cud800%00", content_type=kind)
    boundary = "multipart/form-data; boundary=x"
    body = b'--x\r\nContent-Disposition: form-data; name="name"\r\n\r\n\\ud800\r\n--x--\r\n'
    kind = f"{boundary}; charset={charset}"
    sender.send("/customers/new/", "post", body, content_type=kind)
    assert not sender.problems, sender.told()


@pytest.mark.django_db
@pytest.mark.parametrize("cookie", ["sessionid", "messages", "csrftoken", "tablet"])
def test_hostile_cookies(sender: Sender, cookie: str) -> None:
    for value in ("\x00" * 12, "²" * 20, "x" * 4000, '"\\000\\000\\000\\000\\000\\000\\000\\000"'):
        sender.client.cookies[cookie] = value
        sender.send("/board/")
    assert not sender.problems, sender.told()


@pytest.mark.once
@pytest.mark.django_db
def test_hostile_files_for_every_upload(sender: Sender, walk: Walk) -> None:
    for form in in_order(walk):
        files = [one.name for one in form.controls if one.kind == "file"]
        for name in files:
            for bad in BAD_FILES:
                sent = {one.name: plausible(one) for one in form.controls}
                sender.post(form, {**sent, name: [SimpleUploadedFile(*bad)]}, look=True)
    assert not sender.problems, sender.told()
