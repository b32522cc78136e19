"""The demo shop: alive, complete, invented, and never laid over a shop's own data."""

import html
import re
from collections import Counter
from collections.abc import Iterator
from io import BytesIO, StringIO
from typing import Any
from urllib.parse import urljoin, urlsplit

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import Resolver404, resolve, reverse
from django.utils import timezone
from pypdf import PdfReader

from deploy.demo.vehicles import VEHICLES
from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job, SavedSetup
from jobs.plan.document import findings_of
from jobs.services.estimates import Estimate
from jobs.sheet import render
from jobs.sheet.wiring.paper import wiring_values
from shop.languages import speaking
from shop.models import Bay, Product, StaffMember, Vehicle
from shop.vin import examine
from tests.factories import VehicleFactory
from tests.laid_once import laid_once
from tests.test_wording import read_aloud, wrong_in

WANTED_STAGES = {
    Stage.BOOKED: 4,
    Stage.CHECKED_IN: 3,
    Stage.IN_BAY: 2,
    Stage.READY_FOR_REVIEW: 2,
    Stage.SIGNED_OFF: 2,
    Stage.COLLECTED: 3,
    Stage.ON_HOLD: 2,
    Stage.CANCELLED: 2,
}


def _job(plate: str, stage: str) -> Job:
    return Job.objects.get(vehicle__plate=plate, stage=stage)


def _print_logins() -> str:
    out = StringIO()
    call_command("load_demo", print_logins=True, stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_it_is_never_laid_over_data() -> None:
    VehicleFactory()
    with pytest.raises(CommandError, match="data here already"):
        call_command("load_demo")
    call_command("load_demo", if_empty=True)
    assert not StaffMember.objects.filter(username="maud").exists()
    assert _print_logins() == ""


@pytest.fixture(scope="module")
def demo(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """The demo shop, loaded once for all that only read it."""
    folder = tmp_path_factory.mktemp("demo")
    with laid_once(django_db_blocker, folder):
        call_command("load_demo", stdout=StringIO())
        yield


@pytest.mark.once
@pytest.mark.paper
@pytest.mark.django_db
def test_it_shows_every_side_of_the_product(demo: None) -> None:
    assert Counter(Job.objects.values_list("stage", flat=True)) == WANTED_STAGES
    assert StaffMember.objects.count() == 5
    assert Bay.objects.count() == 2
    assert Vehicle.objects.count() == 12
    assert 22 <= Product.objects.count() <= 32
    assert any(job.is_late for job in Job.objects.on_the_board())
    assert Job.objects.filter(comeback_of__isnull=False).count() == 1
    assert not Job.objects.filter(events__at__gt=timezone.now()).exists()

    full = _job("HRN 4217", Stage.READY_FOR_REVIEW)
    assert {finding.severity for finding in findings_of(full)} <= {"note"}
    assert full.channels.filter(kind="amplifier", speakers__isnull=False).count() == 7
    assert set(full.parts.filter(label__startswith="A").values_list("turn_on", flat=True)) == {
        "interface_module"
    }

    faults = _job("FLD 5520", Stage.IN_BAY)
    assert sorted(finding.rule for finding in findings_of(faults)) == [
        "driver-high-pass",
        "fuse-over-conductor",
        "load-under-minimum",
        "sides-crossed",
        "speaker-without-channel",
    ]

    lost = _job("OAK 0467", Stage.READY_FOR_REVIEW)
    stops = [finding.rule for finding in findings_of(lost) if finding.severity == "stop"]
    assert stops == ["function-lost"]

    sheets = list(InstallSheet.objects.all())
    assert len(sheets) == 5
    assert all(bytes(sheet.pdf).startswith(b"%PDF") for sheet in sheets)
    assert InstallSheet.objects.filter(receipt__isnull=False).count() == 3
    setup = SavedSetup.objects.get(state="approved")
    assert SavedSetup.objects.filter(state="draft").count() == 1
    assert _job("LKD 2604", Stage.BOOKED).vehicle.vehicle_model == setup.vehicle_model

    before = Job.objects.count()
    call_command("load_demo", if_empty=True)
    assert Job.objects.count() == before
    logins = _print_logins()
    assert all(one.username in logins for one in StaffMember.objects.all())
    changed = StaffMember.objects.get(username="maud")
    changed.set_password("another-password-1")
    changed.save()
    assert "maud" not in _print_logins()


MOST_OF_A_VIEW = 3
LEFT_OUT = frozenset(
    {"logout", "sheet_preview", "wiring_preview"}
    | {"sheet_pdf", "customer_sheet_pdf", "wiring_sheet_pdf"}
)
"""What ends the sign-in, and papers: those that are signed are read below."""


def pages(client: Client) -> Iterator[tuple[str, str]]:
    """Every job with its whole history, and pages reached by links, a few of each kind."""
    first = [f"{job.get_absolute_url()}?history=all" for job in Job.objects.all()]
    for address in first:
        yield address, client.get(address).content.decode()
    waiting, seen, kinds = ["/"], {"/"}, Counter[str]()
    while waiting:
        address = waiting.pop(0)
        try:
            view = resolve(urlsplit(address).path).view_name
        except Resolver404:
            continue
        kinds[view] += 1
        if kinds[view] > MOST_OF_A_VIEW or view in LEFT_OUT:
            continue
        answer = client.get(address, follow=True)
        if "text/html" not in answer.headers["Content-Type"] or answer.streaming:
            continue
        page = answer.content.decode()
        yield address, page
        for link in re.findall(r'(?:href|hx-get)="([^"#]*)', page):
            to = urljoin(address, html.unescape(link))
            if to.startswith("/") and not to.startswith("/static/") and to not in seen:
                seen.add(to)
                waiting.append(to)


@pytest.mark.once
@pytest.mark.paper
@pytest.mark.django_db
def test_it_is_written_one_way(demo: None) -> None:
    client = Client()
    client.force_login(StaffMember.objects.get(username="odile"))
    read = {address: read_aloud(page) for address, page in pages(client)}
    del read[reverse("api_reference")]  # There what programs send is written as they send it.
    for sheet in InstallSheet.objects.all():
        papers = PdfReader(BytesIO(sheet.pdf)).pages
        assert len(papers) <= (7 if sheet.number == "J1001-1" else 3), sheet.number
        read[sheet.number] = "\n".join(page.extract_text() for page in papers)

    wrong = {address: found for address, text in read.items() if (found := wrong_in(text))}
    assert wrong == {}
    everything = " ".join(read.values())
    for said in ("Bay 1", "crossovers, EQ, chimes or prompts", " km", ", by hand"):
        assert said in everything, said
    assert len(read) > 120


@pytest.mark.once
@pytest.mark.paper
@pytest.mark.django_db
def test_a_small_job_takes_three_pages_in_long_words_too(demo: None) -> None:
    """On the shorter paper, the sheet with a finding to tell of; its wiring sheet and that of the
    large job as few as in English, which is counted without being drawn."""
    sheets = {one.number: one.document for one in InstallSheet.objects.all()}
    for document in sheets.values():
        document["shop_language"] = "es"
        document["shop"]["paper"] = "letter"
    small = render.write_pdf(render.sheet_html(sheets["J1003-1"]), [])
    assert len(PdfReader(BytesIO(small)).pages) <= 3
    for language in ("de", "es"):
        with speaking(language):
            assert len(wiring_values(sheets["J1003-1"])["pages"]) <= 4
            assert len(wiring_values(sheets["J1001-1"])["pages"]) <= 6


def test_one_car_alone_has_a_number_with_a_wrong_check_digit() -> None:
    odd = [car for car in VEHICLES if examine(car.vin).needs_confirmation]
    assert [car.vin_odd for car in odd] == [True]
    for car in VEHICLES:
        assert car.year in examine(car.vin).model_years


@pytest.mark.django_db
def test_one_booked_job_has_a_priced_estimate_that_waits_for_a_yes(demo: None) -> None:
    (job,) = Job.objects.filter(estimate_lines__isnull=False).distinct()
    assert job.stage == Stage.BOOKED
    estimate = Estimate(job)
    assert estimate.due > 0
    assert not estimate.approved
    assert all(line.price > 0 for line in job.estimate_lines.all())
