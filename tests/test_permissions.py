"""Who may open what: every named URL, tried by everybody, with GET and POST.

`TABLE` is written by hand: a URL without an entry fails, and so does a view whose mark says
otherwise. The URLs themselves come from Django's own table.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import InstallSheet, JobSpeaker, PowerRun, SavedSetup
from jobs.services import sheet_document
from shop.models import ProductKind
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
}

OWN_STATUS = {"locked_out": 403}
"""Pages that say no to whoever sees them."""

EVERYBODY: dict[str, Roles] = {
    "nobody signed in": None,
    "front desk": frozenset({Role.FRONT_DESK}),
    "technician": frozenset({Role.TECHNICIAN}),
    "manager": frozenset({Role.MANAGER}),
}


def _walk(resolver: URLResolver) -> Iterator[URLPattern]:
    for entry in resolver.url_patterns:
        if isinstance(entry, URLResolver):
            yield from _walk(entry)
        else:
            yield entry


PATTERNS: list[URLPattern] = list(_walk(get_resolver()))


@dataclass
class Ground:
    """One row of everything, by the prefix of the URL names that speak of it."""

    number: int
    signed_number: int
    keys: dict[str, int] = field(default_factory=dict)
    posts: dict[str, dict[str, Any]] = field(default_factory=dict)


ARGUMENTS: dict[str, Callable[[Ground], dict[str, Any]]] = {
    "job_move": lambda ground: {"number": ground.number, "name": "hold"},
}
"""Arguments that are not `number` of the job in the bay and `pk` by the prefix of the name."""


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
    signed = make_job(Stage.SIGNED_OFF, parts_wanted=[amplifier])
    sheet = _signed_sheet(signed, make_staff(Role.MANAGER))
    setup = SavedSetup.objects.create(
        vehicle_model=job.vehicle.vehicle_model,
        name="Six channels",
        document=sheet.document["plan"],
        from_sheet=sheet,
        by=sheet.signed_by,
    )
    proof = job.fit_proofs.create(
        source="Fitting list", consulted_on=timezone.localdate(), outcome="fits", by=technician
    )
    other = job.other_settings.create(name="Head unit bass", before="+3")
    sent = job.send_backs.create(reason="Label the wires.", by=technician)
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
    }
    posts = {"part_add": {"product": tweeter.pk, "quantity": 1}}
    return Ground(job.number, signed.number, keys, posts)


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


def _arguments(pattern: URLPattern, ground: Ground) -> dict[str, Any]:
    name = pattern.name or ""
    if name in ARGUMENTS:
        return ARGUMENTS[name](ground)
    made: dict[str, Any] = {}
    for argument in pattern.pattern.converters:
        if argument == "number":
            made[argument] = ground.number
        else:
            prefix = max((p for p in ground.keys if name.startswith(p)), key=len, default=None)
            assert prefix, f"say in ARGUMENTS what {argument!r} of {name!r} is"
            made[argument] = ground.keys[prefix]
    return made


def test_every_url_has_a_name_a_mark_and_an_entry() -> None:
    assert [str(p.pattern) for p in PATTERNS if not p.name] == []
    assert [p.name for p in PATTERNS if not hasattr(p.callback, "allowed_roles")] == []
    assert sorted({p.name for p in PATTERNS if p.name}) == sorted(TABLE)


def test_the_marks_say_what_the_table_says() -> None:
    marks = {p.name: p.callback.allowed_roles for p in PATTERNS}  # type: ignore[attr-defined]
    assert {n: marks[n] for n in marks if marks[n] != TABLE.get(n or "")} == {}


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
    problems = []
    for pattern in PATTERNS:
        name = pattern.name or ""
        with transaction.atomic():
            client = Client(raise_request_exception=False)
            if person:
                client.force_login(person)
            url = reverse(name, kwargs=_arguments(pattern, ground))
            data = ground.posts.get(name, {}) if method == "post" else {}
            answer = getattr(client, method)(url, data)
            said = _problem(name, roles, answer.status_code, answer.get("Location", ""))
            if said:
                problems.append(f"{name} {said}: {answer.status_code}")
            transaction.set_rollback(True)
    assert problems == []


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
