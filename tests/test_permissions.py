"""Who may open what: every named URL, tried by everybody, with GET and POST.

`TABLE` is written by hand: a URL without an entry fails, and so does a view whose mark says
otherwise. The URLs themselves come from Django's own table.
"""

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.db import transaction
from django.test import Client
from django.urls import URLResolver, get_resolver, reverse
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import InstallSheet, JobSpeaker, PowerRun, TuningKind, WorkKind
from jobs.services import setups, sheet_document
from jobs.services.power import add_run
from jobs.views.review import finding_key
from jobs.wiring_adapter import findings_of
from shop.models import ProductKind, Tablet
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import make_job, make_product, make_staff

Roles = frozenset[Role] | None

PUBLIC: Roles = None
STAFF: Roles = frozenset(Role)
DESK: Roles = frozenset({Role.FRONT_DESK, Role.MANAGER})
BENCH: Roles = frozenset({Role.TECHNICIAN, Role.MANAGER})
MANAGER: Roles = frozenset({Role.MANAGER})

TABLE: dict[str, Roles] = {
    # The door.
    "home": STAFF,
    "healthz": PUBLIC,
    "login": PUBLIC,
    "locked_out": PUBLIC,
    "logout": STAFF,
    "password_change": STAFF,
    # People, cars, catalogue.
    "customer_list": DESK,
    "customer_create": DESK,
    "customer": DESK,
    "customer_edit": DESK,
    "vehicle_list": STAFF,
    "vehicle_create": DESK,
    "vehicle": STAFF,
    "vehicle_edit": DESK,
    "vehicle_model_list": STAFF,
    "vehicle_model_create": DESK,
    "vehicle_model_edit": DESK,
    "product_list": STAFF,
    "product": STAFF,
    "product_create": MANAGER,
    "product_edit": MANAGER,
    # The shop's own settings.
    "settings": MANAGER,
    "staff_list": MANAGER,
    "staff_create": MANAGER,
    "staff_edit": MANAGER,
    "bay_list": MANAGER,
    "bay_create": MANAGER,
    "bay_edit": MANAGER,
    "tablet_list": MANAGER,
    "tablet_register": MANAGER,
    "tablet_revoke": MANAGER,
    # A shared tablet, PINs.
    "tablet_switch": PUBLIC,
    "tablet_lock": STAFF,
    "my_pin": STAFF,
    "password_confirm": STAFF,
    # Board, finding, booking.
    "board": STAFF,
    "find": STAFF,
    "book": DESK,
    "customer_options": DESK,
    "customer_pick": DESK,
    "vehicle_options": DESK,
    "vehicle_pick": DESK,
    "model_options": DESK,
    "model_pick": DESK,
    "part_options": STAFF,
    "part_line": DESK,
    "bay_day": DESK,
    "vin_report": DESK,
    # A job's page and its moves; who may make which move is the lifecycle's table.
    "job": STAFF,
    "job_edit": DESK,
    "job_move": STAFF,
    "job_parts": STAFF,
    "part_add": STAFF,
    "part_quantity": STAFF,
    "part_remove": STAFF,
    "check_in": DESK,
    # Review, signed sheets, hand-over.
    "review_queue": MANAGER,
    "review": MANAGER,
    "review_sign": MANAGER,
    "review_send_back": MANAGER,
    "finding_reason": MANAGER,
    "sheet_preview": BENCH,
    "sheet": STAFF,
    "sheet_pdf": STAFF,
    "sheet_correct": MANAGER,
    "collect": DESK,
    # The bay sheet: everybody reads, the bench writes.
    "bay": STAFF,
    "bay_fit": STAFF,
    "bay_fit_guide": STAFF,
    "bay_before": STAFF,
    "bay_after": STAFF,
    "bay_channels": STAFF,
    "bay_loads": STAFF,
    "bay_place": STAFF,
    "bay_power": STAFF,
    "bay_power_diagram": STAFF,
    "bay_run": STAFF,
    "bay_tuning": STAFF,
    "bay_sections": STAFF,
    "bay_record_compare": STAFF,
    "bay_findings": STAFF,
    "bay_notes": STAFF,
    "bay_finish": BENCH,
    "bay_move": BENCH,
    "bay_undo": BENCH,
    "bay_send_back": BENCH,
    "bay_fit_add": BENCH,
    "bay_part_save": BENCH,
    "bay_function_save": BENCH,
    "bay_function_group": BENCH,
    "bay_function_add": BENCH,
    "bay_reading_save": BENCH,
    "bay_reading_add": BENCH,
    "bay_channel_save": BENCH,
    "bay_wire_save": BENCH,
    "bay_channel_speaker": BENCH,
    "bay_arrange": BENCH,
    "bay_place_add": BENCH,
    "bay_speaker_save": BENCH,
    "bay_speaker_remove": BENCH,
    "bay_supply_save": BENCH,
    "bay_run_add": BENCH,
    "bay_run_save": BENCH,
    "bay_run_copy": BENCH,
    "bay_run_remove": BENCH,
    "bay_run_propose": BENCH,
    "bay_setting_save": BENCH,
    "bay_sections_save": BENCH,
    "bay_other_add": BENCH,
    "bay_other_save": BENCH,
    "bay_record_keep": BENCH,
    "bay_record_return": BENCH,
    "bay_finding_reason": BENCH,
    "bay_note_add": BENCH,
    # Saved setups.
    "setup_list": STAFF,
    "setup": STAFF,
    "setup_create": BENCH,
    "setup_edit": BENCH,
    "setup_withdraw": MANAGER,
    "setup_apply": BENCH,
    "setup_applied": BENCH,
    "setup_undo": BENCH,
    # Kinds of work and their steps.
    "step_kinds": MANAGER,
    "step_kind_usual": MANAGER,
    "step_kind_create": MANAGER,
    "step_kind": MANAGER,
    "step_kind_edit": MANAGER,
    "step_kind_remove": MANAGER,
    "step_kind_copy": MANAGER,
    "step_kind_order": MANAGER,
    "step_kind_add": MANAGER,
    "step_template_edit": MANAGER,
    "step_template_move": MANAGER,
    "step_template_remove": MANAGER,
}

OWN_STATUS = {"locked_out": 403}
"""Pages that say no to whoever sees them."""

EVERYBODY: dict[str, Roles] = {
    "nobody signed in": None,
    "front desk": frozenset({Role.FRONT_DESK}),
    "technician": frozenset({Role.TECHNICIAN}),
    "manager": frozenset({Role.MANAGER}),
}


@dataclass(frozen=True)
class Url:
    """An entry of the URL table, with the arguments of everything above it."""

    name: str
    route: str
    arguments: tuple[str, ...]
    view: Any


def _walk(resolver: URLResolver, route: str = "", above: tuple[str, ...] = ()) -> Iterator[Url]:
    for entry in resolver.url_patterns:
        arguments = (*above, *entry.pattern.converters)
        here = f"{route}{entry.pattern}"
        if isinstance(entry, URLResolver):
            yield from _walk(entry, here, arguments)
        else:
            yield Url(entry.name or "", here, arguments, entry.callback)


URLS: list[Url] = list(_walk(get_resolver()))


@dataclass
class Ground:
    """One row of everything, by the prefix of the URL names that speak of it."""

    number: int
    numbers: dict[str, int] = field(default_factory=dict)
    """The number of another job than the one in the bay, by URL name."""
    keys: dict[str, int] = field(default_factory=dict)
    given: dict[str, Any] = field(default_factory=dict)
    """Arguments other than `number` and `pk`."""
    posts: dict[str, dict[str, Any]] = field(default_factory=dict)
    queries: dict[str, str] = field(default_factory=dict)


PK_OF = {
    "bay_undo": "event",
    "bay_send_back": "send_back",
    "bay_fit_guide": "proof",
    "bay_part_save": "part",
    "bay_function_save": "function",
    "bay_reading_save": "reading",
    "bay_channel_save": "channel",
    "bay_channel_speaker": "channel",
    "bay_wire_save": "channel",
    "bay_loads": "channel",
    "bay_arrange": "channel",
    "bay_speaker_save": "speaker",
    "bay_speaker_remove": "speaker",
    "bay_supply_save": "supply",
    "bay_run_save": "run",
    "bay_run_copy": "run",
    "bay_run_remove": "run",
    "bay_run_propose": "run",
    "bay_run": "run",
    "bay_setting_save": "channel",
    "bay_sections": "channel",
    "bay_sections_save": "channel",
    "bay_other_save": "other",
    "bay_record_return": "record",
    "setup_applied": "applied",
    "setup_undo": "applied",
}
"""Whose key a URL wants, where its name does not begin with it."""

GIVEN = {"bay_move": {"name": "finish"}}
"""Arguments of one URL that differ from those of the ground."""

SIGNED = ("setup_create", "sheet", "sheet_pdf", "sheet_correct", "collect")
REVIEWED = ("review", "review_sign", "review_send_back", "finding_reason", "sheet_preview")


@pytest.fixture
def ground() -> Ground:
    """A job in the bay with a row of every kind, and a signed one."""
    amplifier = make_product(line_outputs=2, sample_rate_hz=96_000.0, ratings=[(4, 75, False)])
    tweeter = make_product(
        kind=ProductKind.SPEAKER, speaker_kind=SpeakerKind.TWEETER, impedance_ohm=4.0
    )
    technician = make_staff(Role.TECHNICIAN)
    job = make_job(Stage.IN_BAY, parts_wanted=[amplifier, tweeter])
    speaker = JobSpeaker.objects.create(
        job=job,
        part=job.parts.get(product=tweeter),
        label="SP1",
        name="Tweeter",
        kind=SpeakerKind.TWEETER,
        position="front_dash_left",
        impedance_ohm=4.0,
    )
    run = PowerRun.objects.create(
        job=job, label="R1", from_node="battery", to_node="A1", size="16 mm2", length_m=2.0
    )
    signed = make_job(Stage.SIGNED_OFF, parts_wanted=[amplifier], vehicle=job.vehicle)
    signed.runs.create(label="R1", from_node="battery", to_node="A1", size="25 mm2", length_m=1.5)
    sheet = _signed_sheet(signed, make_staff(Role.MANAGER))
    setup = setups.create_setup(sheet.pk, "Six channels", "", sheet.signed_by)
    proof = job.fit_proofs.create(
        source="Fitting list",
        consulted_on=timezone.localdate(),
        outcome="fits",
        by=technician,
        guide=ContentFile(b"Cut here.", name="guide.txt"),
    )
    record = job.tuning_records.create(kind=TuningKind.WORKING, name="First run", by=technician)
    reviewed = make_job(Stage.READY_FOR_REVIEW, parts_wanted=[amplifier])
    reviewed.channels.filter(number=1).update(connector="C1", positive_base="GN")
    caution = next(one for one in findings_of(reviewed) if one.severity == "caution")
    event = add_run(
        job.number,
        {"from_node": "A1", "to_node": "body", "size": "16 mm2", "length_m": 0.5, "kind": "return"},
        actor=technician,
    )
    wanted = setups.preview(setup, job)
    keys_of_items = {item.key for item in wanted.open_items}
    applied = setups.apply_setup(job.number, setup.pk, keys_of_items, wanted.token, technician)
    kind = WorkKind.objects.create(name="Speakers")
    step = kind.steps.create(text="Wires labelled", order=1)
    other = job.other_settings.create(name="Head unit bass", before="+3")
    sent = job.send_backs.create(reason="Label the wires.", by=technician)
    tablet = Tablet.objects.create(name="Bay 1", token_sha256="0" * 64, registered_by=technician)
    keys = {
        "customer": job.customer_id,
        "vehicle": job.vehicle_id,
        "vehicle_model": job.vehicle.vehicle_model_id,
        "product": amplifier.pk,
        "staff": technician.pk,
        "bay": job.bay_id,
        "part": job.parts.get(product=tweeter).pk,
        "part_line": tweeter.pk,
        "speaker": speaker.pk,
        "channel": job.channels.all()[0].pk,
        "run": run.pk,
        "supply": job.supply.pk,
        "function": job.function_checks.all()[0].pk,
        "reading": job.readings.all()[0].pk,
        "sheet": sheet.pk,
        "setup": setup.pk,
        "proof": proof.pk,
        "other": other.pk,
        "send_back": sent.pk,
        "record": record.pk,
        "event": event.pk,
        "applied": applied.event.pk,
        "step_kind": kind.pk,
        "step_template": step.pk,
        "tablet": tablet.pk,
    }
    numbers = {
        **dict.fromkeys(SIGNED, signed.number),
        **dict.fromkeys(REVIEWED, reviewed.number),
    }
    given = {
        "revision": 1,
        "phase": "before",
        "position": "front_dash_left",
        "kind": "after",
        "name": "hold",
        "key": finding_key(caution.fingerprint),
    }
    posts = {"part_add": {"product": tweeter.pk, "quantity": 1}}
    queries = {"vehicle_create": f"?owner={job.customer_id}"}
    return Ground(job.number, numbers, keys, given, posts, queries)


def _signed_sheet(job: Any, manager: Any) -> InstallSheet:
    signing = sheet_document.Signing(1, manager, timezone.now())
    document = sheet_document.freeze(sheet_document.load(pk=job.pk), signing)
    return InstallSheet.objects.create(
        job=job,
        revision=1,
        document=document,
        document_sha256=sheet_document.sha256_of(document),
        pdf=b"%PDF-1.7\n",
        pdf_sha256="0" * 64,
        signed_by=manager,
        signed_at=signing.signed_at,
    )


def _arguments(url: Url, ground: Ground) -> dict[str, Any]:
    name = url.name
    made: dict[str, Any] = {}
    for argument in url.arguments:
        if argument == "number":
            made[argument] = ground.numbers.get(name, ground.number)
        elif argument == "pk":
            known = PK_OF.get(name) or max(
                (one for one in ground.keys if name.startswith(one)), key=len, default=None
            )
            assert known, f"say in PK_OF whose key {name!r} wants"
            made[argument] = ground.keys[known]
        else:
            made[argument] = GIVEN.get(name, {}).get(argument) or ground.given[argument]
    return made


def test_every_url_has_a_name_a_mark_and_an_entry() -> None:
    assert [url.route for url in URLS if not url.name] == []
    assert [url.name for url in URLS if not hasattr(url.view, "allowed_roles")] == []
    names = {url.name for url in URLS}
    assert not names - set(TABLE), "say in TABLE who may open these"
    assert not set(TABLE) - names, "these are gone"


def test_the_marks_say_what_the_table_says() -> None:
    marks = {url.name: url.view.allowed_roles for url in URLS if url.name in TABLE}
    assert {name: marks[name] for name in marks if marks[name] != TABLE[name]} == {}


def _problem(name: str, roles: Roles, status: int, location: str) -> str:
    """What is wrong with an answer, empty when nothing is."""
    allowed = TABLE[name]
    if status >= 500:
        return "failed"
    to_the_door = status == 302 and location.startswith(f"{reverse('login')}?next=")
    if allowed is None or (roles is not None and not roles.isdisjoint(allowed)):
        if (status in {401, 403, 404} and status != OWN_STATUS.get(name)) or to_the_door:
            return "was refused or not found"
        return ""
    if roles is None:
        return "" if to_the_door else "was not sent to the sign-in page"
    return "" if status == 403 else "was let in"


@pytest.mark.django_db
@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize("who", EVERYBODY)
def test_everybody_at_every_url(who: str, method: str, ground: Ground) -> None:
    roles = EVERYBODY[who]
    person = make_staff(*roles) if roles else None
    client = Client(raise_request_exception=False)
    if person:
        client.force_login(person)
    signed_in = deepcopy(client.cookies)
    problems = []
    for url in (one for one in URLS if one.name in TABLE):
        name = url.name
        with transaction.atomic():
            client.cookies = deepcopy(signed_in)
            address = reverse(name, kwargs=_arguments(url, ground)) + ground.queries.get(name, "")
            data = ground.posts.get(name, {}) if method == "post" else {}
            answer = getattr(client, method)(address, data)
            said = _problem(name, roles, answer.status_code, answer.get("Location", ""))
            if said:
                problems.append(f"{name} {said}: {answer.status_code}")
            transaction.set_rollback(True)
    assert not problems, "\n".join(problems)


@pytest.mark.django_db
def test_a_saving_cell_of_somebody_signed_out_is_told_so_and_not_redirected(
    ground: Ground,
) -> None:
    answer = Client().post(
        reverse("part_add", args=[ground.number]), headers={"HX-Request": "true"}
    )
    assert answer.status_code == 401


@pytest.mark.django_db
def test_somebody_without_a_role_or_no_longer_here_gets_in_nowhere(ground: Ground) -> None:
    idle, gone = make_staff(), make_staff(Role.MANAGER)
    for person, expected in ((idle, 403), (gone, 302)):
        client = Client()
        client.force_login(person)
        if person is gone:
            gone.is_active = False
            gone.save()
        assert client.get(reverse("board")).status_code == expected
