"""Where parts are, jobs that wait for them, and the papers of the counter."""

import io
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from jobs.lifecycle import Stage
from jobs.models import Job, JobPart, PartSupply
from jobs.paper import counter_paper
from jobs.reads.history import history_of
from jobs.reads.plan import day_plan
from jobs.services.check_in import Mark, save_check_in
from jobs.services.supply import all_now, jobs_waiting, save_supply, to_come
from shop.models import ProductKind
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import make_job, make_product, make_shop, make_staff


def two_tweeters() -> list[Any]:
    """Two products alike in name."""
    return [
        make_product(
            name="Finch",
            kind=ProductKind.SPEAKER,
            speaker_kind=SpeakerKind.TWEETER,
            impedance_ohm=4.0,
        )
        for _ in range(2)
    ]


def states(job: Job) -> list[str]:
    rows = {row.part_id: row.state for row in PartSupply.objects.filter(part__job=job)}
    return [rows.get(part.pk, "") for part in job.parts.order_by("pk")]


@pytest.mark.django_db
def test_each_part_says_where_it_is_also_after_the_sheet_is_signed() -> None:
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(Stage.COLLECTED, parts_wanted=two_tweeters())
    first, second = job.parts.order_by("pk")
    save_supply(job.number, second.pk, {"state": "fitted"}, actor=desk, version=0)
    row = PartSupply.objects.get(part=second)
    save_supply(
        job.number, second.pk, {"state": "returned"}, actor=desk, version=row.version, key="d_1"
    )
    save_supply(
        job.number, second.pk, {"state": "returned"}, actor=desk, version=row.version, key="d_1"
    )
    assert states(job) == ["", "returned"]
    told = [event.sentence for event in history_of(job, whole=True)][:2]
    assert second.label in told[0]
    assert "Returned" in told[0]
    assert first.label not in told[0]


@pytest.mark.django_db
def test_all_at_once_takes_no_part_back(client: Client) -> None:
    technician = make_staff(Role.TECHNICIAN)
    job = make_job(parts_wanted=[*two_tweeters(), *two_tweeters()])
    parts = list(job.parts.order_by("pk"))
    for part, state in zip(parts[1:], ("ordered", "returned", "fitted"), strict=True):
        save_supply(job.number, part.pk, {"state": state}, actor=technician, version=0)
    client.force_login(technician)
    url = reverse("supply_all", args=[job.number])
    assert client.post(url, {"state": "arrived"}).status_code == 302
    assert states(job) == ["arrived", "arrived", "returned", "fitted"]
    assert all_now(job.number, "arrived", actor=technician) == 0
    refused = client.post(url, {"state": "lost"})
    assert refused.status_code == 422
    assert "Choose what all parts are" in refused.content.decode()


@pytest.mark.django_db
def test_jobs_that_wait_for_parts_are_listed_by_when_they_start(client: Client) -> None:
    desk = make_staff(Role.FRONT_DESK)
    now = timezone.now() + timedelta(days=2)
    later = make_job(parts_wanted=two_tweeters(), starts_at=now + timedelta(days=3))
    sooner = make_job(parts_wanted=two_tweeters(), starts_at=now)
    settled = make_job(parts_wanted=two_tweeters(), starts_at=now)
    gone = make_job(Stage.COLLECTED, parts_wanted=two_tweeters(), starts_at=now)
    for job, given in ((later, ["wanted"]), (sooner, ["ordered", "wanted"]), (gone, ["ordered"])):
        for part, state in zip(job.parts.order_by("pk"), given, strict=False):
            save_supply(job.number, part.pk, {"state": state}, actor=desk, version=0)
    all_now(settled.number, "arrived", actor=desk)
    waiting = [(job, len(parts)) for job, parts in jobs_waiting()]
    assert waiting == [(sooner, 2), (later, 1)]
    assert [job for job, _ in jobs_waiting(timezone.localdate(now))] == [sooner]
    assert to_come([sooner.pk, settled.pk]) == {sooner.pk: 2}
    plan = day_plan(timezone.localdate(now))
    said = {cell.job.pk: cell.doubt for row in plan.rows for cell in row.cells if cell.job}
    assert said == {sooner.pk: "2 parts to come", settled.pk: ""}
    client.force_login(desk)
    page = client.get(reverse("parts_to_come")).content.decode()
    assert page.index(str(sooner)) < page.index(str(later))
    assert str(settled) not in page


@pytest.mark.django_db
def test_a_part_of_another_job_is_not_changed_and_a_slip_is_said(client: Client) -> None:
    client.force_login(make_staff(Role.FRONT_DESK))
    job, other = (make_job(parts_wanted=two_tweeters()) for _ in range(2))
    part = other.parts.first()
    assert part
    wrong = reverse("supply_save", args=[job.number, part.pk])
    assert client.post(wrong, {f"s{part.pk}-state": "ordered"}).status_code == 404
    right = reverse("supply_save", args=[other.number, part.pk])
    slip = {f"s{part.pk}-state": "ordered", f"s{part.pk}-expected_on": "soon", "version": "0"}
    refused = client.post(right, slip)
    assert refused.status_code == 422
    assert "Give a day." in refused.content.decode()
    assert client.post(right, {**slip, f"s{part.pk}-expected_on": ""}).status_code == 302
    assert states(other) == ["ordered", ""]


@pytest.mark.django_db(transaction=True)
def test_two_first_entries_of_one_part_at_once_make_one_row() -> None:
    job = make_job(parts_wanted=two_tweeters()[:1])
    part = JobPart.objects.get(job=job)
    people = [make_staff(Role.FRONT_DESK) for _ in range(2)]
    together = threading.Barrier(2)

    def enter(turn: int) -> None:
        together.wait(10)
        changes = {"state": "ordered"} if turn else {"note": "Order 12"}
        save_supply(job.number, part.pk, changes, actor=people[turn], version=0)
        connections.close_all()

    with ThreadPoolExecutor(2) as at_once:
        list(at_once.map(enter, range(2)))
    row = PartSupply.objects.get(part=part)
    assert (row.state, row.note) == ("ordered", "Order 12")


@pytest.mark.django_db
def test_the_papers_say_what_the_counter_needs() -> None:
    make_shop(name="Heronsway Sound")
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(parts_wanted=two_tweeters())
    job.parts.update(serial="TW-0042")
    facts = {"odometer": 48210, "valuables": "Child seat", "keys_count": 2}
    save_check_in(job.pk, facts, [Mark("dent", 0.4, 0.3, "old")], version=0, actor=desk)
    job, bare = Job.objects.with_names().get(pk=job.pk), make_job()
    assert all(counter_paper(bare, name, "http://x.test/") for name in ("receipt", "card", "picks"))
    address = "http://shop.test/jobs/1001/"
    papers = {name: counter_paper(job, name, address) for name in ("receipt", "card", "picks")}
    texts = {
        name: " ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
        for name, data in papers.items()
    }
    for name, words in {
        "receipt": (str(job), "Child seat", "old", job.customer.name, "not signed yet"),
        "card": (str(job), job.vehicle.plate, job.wants),
        "picks": ("TW-0042", "Finch", *job.parts.values_list("label", flat=True)),
    }.items():
        assert [word for word in words if word not in texts[name]] == [], name
    assert job.customer.phone not in texts["card"], "a windscreen is read from the street"
    picture = pypdfium2.PdfDocument(papers["card"])[0].render(scale=3).to_pil()
    assert [code.text for code in zxingcpp.read_barcodes(picture)] == [address]
