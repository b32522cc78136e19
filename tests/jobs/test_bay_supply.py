"""Second batteries, the car's own supply wire, 24 V and speaker cables on the bay sheet.

[battery] --R3, fuse near--> [I1 isolator] --R4, fuse at the far end--> [B1 second battery]
"""

import re
from typing import Any

import msgspec
import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job, JobPart, SupplyFacts
from jobs.plan.document import findings_of, plan_of
from jobs.services.moves import move
from jobs.services.power import add_run
from jobs.setups.apply import apply_setup, preview
from jobs.setups.library import create_setup
from jobs.sheet.document import draft, load
from jobs.sheet.values import sheet_values
from shop.models import Product, ProductKind, Shop
from tests.factories import make_product
from tests.jobs.workshop import Workshop
from wiring import plan as doc

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(workshop: Workshop) -> Job:
    job = workshop.job()
    workshop.wire(job)
    return job


@pytest.fixture
def bench(workshop: Workshop, client: Client) -> Client:
    client.force_login(workshop.technician)
    return client


@pytest.fixture
def battery() -> Product:
    return make_product(
        kind=ProductKind.BATTERY, name="Tarn 60", battery_chemistry="lithium", ratings=[]
    )


@pytest.fixture
def isolator() -> Product:
    return make_product(
        kind=ProductKind.ISOLATOR, name="Sluice 140", rated_current_a=140.0, ratings=[]
    )


def rules(job: Job) -> set[str]:
    return {one.rule for one in findings_of(job)}


def power_page(bench: Client, job: Job) -> str:
    return bench.get(reverse("bay_power", args=[job.number])).content.decode()


def asked(page: str, name: str) -> int:
    """How many cells of a name a page has."""
    return len(re.findall(rf'\bname="{name}"', page))


def joined(workshop: Workshop, job: Job, *products: Product) -> None:
    """The second battery behind its isolator, each cable fused where the first battery is."""
    for product in products:
        bench_add(workshop, job, product)
    cable = {"kind": "feed", "size": "25 mm2", "length_m": 0.4}
    near = {"fuse_rating_a": 100.0, "fuse_body": "strip", "fuse_distance_m": 0.2}
    technician = workshop.technician
    add_run(
        job.number, {**cable, **near, "from_node": "battery", "to_node": "I1"}, actor=technician
    )
    add_run(
        job.number, {**cable, "from_node": "I1", "to_node": "B1", "length_m": 2.0}, actor=technician
    )
    back = {"kind": "return", "from_node": "B1", "to_node": "body", "size": "25 mm2"}
    add_run(job.number, {**back, "length_m": 0.3}, actor=technician)


def bench_add(workshop: Workshop, job: Job, product: Product) -> None:
    client = Client()
    client.force_login(workshop.technician)
    address = reverse("bay_supply_part_add", args=[job.number])
    form = {"product": product.pk, "key": f"part-{job.number}-{product.pk}"}
    for _ in range(2):
        assert client.post(address, form).status_code == 302, "a repeat adds none"


def test_a_car_without_such_parts_is_asked_nothing_more(bench: Client, job: Job) -> None:
    page = power_page(bench, job)
    for name in ("far_fuse_rating_a", "far_fuse_body", "factory_feed_fuse_a"):
        assert asked(page, name) == 0
    assert page.count('<details class="card add-part">') == 1, "folded"
    assert re.search(r'<details class="more">\s*<summary>24 V, reserve capacity', page)


def test_a_second_battery_is_added_once_and_stands_among_the_ends(
    workshop: Workshop, bench: Client, job: Job, battery: Product, isolator: Product
) -> None:
    joined(workshop, job, battery, isolator)
    assert list(JobPart.objects.filter(job=job, label__in=["B1", "B2", "I1", "I2"])) == [
        job.parts.get(label="B1"),
        job.parts.get(label="I1"),
    ]
    devices = {one.id: one for one in plan_of(job).devices}
    assert devices["B1"].kind == "battery" and devices["B1"].battery_chemistry == "lithium"
    assert devices["I1"].rated_current_a == 140.0
    assert "lithium-charging" in rules(job)
    assert 'value="B1"' in power_page(bench, job)


def test_a_fuse_at_the_far_end_is_asked_only_between_two_sources(
    workshop: Workshop, bench: Client, job: Job, battery: Product, isolator: Product
) -> None:
    joined(workshop, job, battery, isolator)
    assert "battery-both-ends" in rules(job)
    assert asked(power_page(bench, job), "far_fuse_rating_a") == 2
    run = job.runs.get(to_node="B1")
    address = reverse("bay_run_save", args=[job.number, run.pk])
    far = {"far_fuse_rating_a": "100", "far_fuse_body": "strip", "far_fuse_distance_m": "0.2"}
    answer = bench.post(address, {**far, "version": run.version, "key": "k1"})
    assert answer.status_code == 200 and 'name="far_fuse_rating_a"' in answer.content.decode()
    (found,) = [one for one in plan_of(job).runs if one.id == run.label]
    assert found.far_fuse == doc.Fuse(100.0, "strip", 0.2)
    assert "battery-both-ends" not in rules(job)
    wrong = bench.post(address, {"far_fuse_rating_a": "-5", "version": run.version + 1})
    assert wrong.status_code == 422 and "Too small" in wrong.content.decode()
    values = sheet_values(draft(load(pk=job.pk)))
    (printed,) = [one for one in values["power"]["runs"] if one["id"] == run.label]
    assert printed["fuse"].endswith("from B1")


def test_the_next_car_gets_battery_far_fuse_cable_and_supply(
    workshop: Workshop, bench: Client, job: Job, battery: Product, isolator: Product
) -> None:
    joined(workshop, job, battery, isolator)
    far = {"far_fuse_rating_a": 100.0, "far_fuse_body": "strip", "far_fuse_distance_m": 0.2}
    job.runs.filter(to_node="B1").update(**far)
    job.channels.filter(number=1).update(cable_size="2.5 mm2", cable_length_m=4.0, cable_fuse_a=10)
    SupplyFacts.objects.filter(job=job).update(reserve_min=95.0, factory_feed_fuse_a=30.0)
    workshop.prove(job)
    sheet = workshop.sign(move(job.pk, "finish", workshop.technician))
    setup = create_setup(sheet.pk, "Two batteries", "", workshop.technician)
    other = workshop.job(setup.vehicle_model)
    for product in (battery, isolator):
        bench_add(workshop, other, Product.objects.get(pk=product.pk))
    comparison = preview(setup, other)
    told = " ".join(item.setup for item in comparison.items)
    assert "from the far end" in told and "2.5 mm² copper" in told and "of reserve" in told
    apply_setup(
        other.number,
        setup.pk,
        {item.key for item in comparison.items if item.taken_by_default},
        comparison.token,
        workshop.technician,
    )
    wanted, found = plan_of(job), plan_of(Job.objects.get(pk=other.pk))
    assert found.runs == wanted.runs
    assert [one.cable for one in found.channels] == [one.cable for one in wanted.channels]
    assert found.channels[0].cable == doc.SpeakerCable("2.5 mm2", 4.0, fuse_a=10.0)
    assert found.supply.reserve_min == 95.0
    assert found.supply.factory_feed == doc.FactoryFeed(30.0)


def save_supply(bench: Client, job: Job, **cells: Any) -> Any:
    facts = SupplyFacts.objects.get(job=job)
    address = reverse("bay_supply_save", args=[job.number, facts.pk])
    return bench.post(address, {**cells, "version": facts.version})


def test_a_24_v_vehicle(workshop: Workshop, bench: Client, job: Job) -> None:
    assert "power-voltage" not in rules(job)
    answer = save_supply(bench, job, system_v="24", reserve_min="120")
    assert answer.status_code == 200 and '<details class="more" open>' in answer.content.decode()
    supply = plan_of(job).supply
    assert (supply.nominal_v, supply.charging_v) == (25.2, 28.4)
    assert "power-voltage" in rules(job)
    Product.objects.filter(pk=workshop.amplifier.pk).update(max_supply_v=32.0, rated_supply_v=28.8)
    assert "power-voltage" not in rules(job)
    assert save_supply(bench, job, system_v="48").status_code == 422
    assert "24\u00a0V vehicle" in sheet_values(draft(load(pk=job.pk)))["power"]["supply"]


def test_the_car_s_own_supply_wire(bench: Client, job: Job) -> None:
    assert "Factory feed" in power_page(bench, job)
    run = job.runs.get(label="R1")
    job.runs.filter(pk=run.pk).update(from_node="factory feed", fuse_rating_a=None, fuse_body="")
    assert "factory-feed" in rules(job), "its fuse is not said"
    page = power_page(bench, job)
    assert asked(page, "factory_feed_fuse_a") == 1
    assert save_supply(bench, job, factory_feed_fuse_a="30").status_code == 200
    assert plan_of(job).supply.factory_feed == doc.FactoryFeed(30.0)
    assert "factory-feed" not in rules(job) and "fuse-missing" not in rules(job)
    assert save_supply(bench, job, factory_feed_limit_a="2").status_code == 200
    assert "factory-feed" in rules(job)


def test_a_speaker_cable_is_entered_and_says_what_it_takes(bench: Client, job: Job) -> None:
    page = bench.get(reverse("bay_channels", args=[job.number]) + "?show=cables").content.decode()
    assert asked(page, "cable_length_m") == 4
    channel = job.channels.get(number=2)
    address = reverse("bay_cable_save", args=[job.number, channel.pk])
    cells = {"cable_size": "0.75 mm2", "cable_length_m": "9", "version": channel.version}
    answer = bench.post(address, {**cells, "key": "c1"}).content.decode()
    assert "1.0\u00a0dB" in answer and "damping" in answer
    (finding,) = [one for one in findings_of(job) if one.rule == "speaker-cable-loss"]
    assert finding.where == ("A1.2",)
    findings = bench.get(reverse("bay_findings", args=[job.number])).content.decode()
    assert "show=cables#at-A1-2" in findings
    opened = bench.get(reverse("bay_cable", args=[job.number, channel.pk])).content.decode()
    assert "Damping factor" in opened and "there and back" in opened
    empty = bench.get(reverse("bay_cable", args=[job.number, job.channels.get(number=1).pk]))
    assert "Enter the conductor" in empty.content.decode()
    values = sheet_values(draft(load(pk=job.pk)))
    assert [one["cable"] for one in values["channels"]][:2] == ["", "0.75 mm² copper, 9.00\u00a0m"]


def test_a_plan_kept_before_these_facts_reads_the_same(job: Job) -> None:
    """What an earlier version wrote has none of the new fields, and every row fills them in."""
    plan = plan_of(job)
    document = doc.to_builtins(plan)
    text = repr(document)
    for name in ("far_fuse", "cable", "factory_feed", "reserve_min", "built_in"):
        assert name not in text
    assert doc.from_builtins(document) == plan
    assert msgspec.structs.replace(plan, supply=doc.Supply()).supply.factory_feed is None


def test_a_proposal_takes_the_shop_s_cable_and_says_what_stays_lost(
    workshop: Workshop, bench: Client, job: Job
) -> None:
    make_product(
        kind=ProductKind.CABLE, name="Reed 20", cable_size="20 mm2", cable_metal="copper",
        insulation_c=90.0, ratings=[],
    )  # fmt: skip
    make_product(
        kind=ProductKind.FUSE, name="Strip 35", fuse_body="strip", fuse_rating_a=35.0, ratings=[]
    )
    run = job.runs.get(label="R1")
    opened = reverse("bay_run", args=[job.number, run.pk])
    page = " ".join(bench.get(opened).content.decode().split())
    assert "Reed 20" in page and "Strip 35" in page and "Safe, but no cable" not in page
    bench.post(reverse("bay_run_propose", args=[job.number, run.pk]), {"metal": "copper"})
    run.refresh_from_db()
    assert (run.size, run.insulation_c, run.fuse_rating_a) == ("20 mm2", 90.0, 35.0)
    Shop.objects.update(max_drop_percent=0.1)
    page = " ".join(bench.get(opened).content.decode().split())
    assert "Safe, but no cable" in page and "relax that limit from 0.1" in page
    assert "The fuse is safe all the same" in page
