"""What the bay sheet takes of passive parts, stated loads, limits and the signal from the car."""

import html
import re
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from jobs.models import Channel, Job, JobPart, JobSpeaker
from jobs.plan.document import findings_of, plan_of
from jobs.services.channels import put_on
from jobs.services.moves import move
from jobs.sheet import document as sheet_document
from jobs.sheet.values import sheet_values
from shop.models import Product, ProductKind
from shop.models.products import SpeakerKind
from tests.factories import make_product
from tests.jobs.workshop import Workshop
from wiring.loads import channel_load_ohm

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench(shop_floor: Workshop) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(shop_floor.technician)
    return client


def _save(client: Client, name: str, job: Job, row: Any, **cells: Any) -> HttpResponse:
    row.refresh_from_db()
    url = reverse(name, args=[job.number, row.pk])
    return client.post(url, {"version": row.version, **cells})


def _page(client: Client, name: str, job: Job, *more: Any) -> str:
    return html.unescape(client.get(reverse(name, args=[job.number, *more])).content.decode())


def _rules(job: Job) -> dict[str, str]:
    return {one.rule: one.severity for one in findings_of(Job.objects.get(pk=job.pk))}


def test_passive_parts_are_kept_as_written_and_count_in_load_and_protection(
    bench: Client, job: Job
) -> None:
    tweeter, other = job.speakers.filter(kind="tweeter")
    bad = _save(bench, "bay_speaker_save", job, tweeter, passive="6.8 µF, squib")
    assert bad.status_code == 422
    assert "squib" in html.unescape(bad.content.decode())
    tweeter.refresh_from_db()
    assert tweeter.passive == ""

    saved = _save(bench, "bay_speaker_save", job, tweeter, passive="6,8uF ; 0.3mh across")
    assert saved.status_code == 200
    tweeter.refresh_from_db()
    other.refresh_from_db()
    assert (tweeter.passive, other.passive) == ("6.8 µF, 0.3 mH across", "")
    plan = plan_of(Job.objects.get(pk=job.pk))
    speakers = {one.id: one for one in plan.speakers}
    own = speakers[tweeter.label].passive
    assert own is not None and own.parts[0].capacitance_f == pytest.approx(6.8e-6)
    assert speakers[other.label].passive is None

    full_range = job.speakers.filter(kind="coaxial")[0]
    channel = full_range.channels.get()
    put_on(job.number, channel.pk, tweeter.pk, actor=Workshop().technician)
    plan = plan_of(Job.objects.get(pk=job.pk))
    loads = {one.id: one for one in plan.channels}
    by_id = {one.id: one for one in plan.speakers}
    assert channel_load_ohm(by_id, loads[channel.plan_id]) < 3
    dialog = _page(bench, "bay_loads", job, channel.pk)
    assert "6.8\u00a0µF" in dialog
    assert "each branch is a load in its own band" in dialog
    stated = _save(bench, "bay_channel_save", job, channel, stated_load_ohm="4")
    assert stated.status_code == 200
    plan = plan_of(Job.objects.get(pk=job.pk))
    loads = {one.id: one for one in plan.channels}
    assert channel_load_ohm(by_id, loads[channel.plan_id]) == 4
    assert _rules(job)["passive-load-stated"] == "caution"


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ({"stated_load_ohm": "0"}, "0.1"),
        ({"output_limit_v": "900"}, "400"),
        ({"output_limit_v": "ten"}, "number"),
    ],
)
def test_a_figure_no_channel_has_is_told_and_kept_on_the_row(
    bench: Client, job: Job, cells: dict[str, str], says: str
) -> None:
    job.speakers.filter(kind="tweeter").update(passive="6.8 µF")
    channel = job.channels.get(number=1)
    answer = _save(bench, "bay_channel_save", job, channel, **cells)
    page = html.unescape(answer.content.decode())
    assert answer.status_code == 422
    assert says in page
    before = (channel.stated_load_ohm, channel.output_limit_v)
    channel.refresh_from_db()
    assert (channel.stated_load_ohm, channel.output_limit_v) == before == (None, None)


def test_a_limit_on_one_of_two_equal_channels_is_that_channels(bench: Client, job: Job) -> None:
    JobSpeaker.objects.filter(job=job, kind="coaxial").update(power_w=10)
    left, right = job.channels.get(number=3), job.channels.get(number=4)
    told = [f for f in findings_of(job) if f.rule == "power-over-rating"]
    assert {f.where[0] for f in told} == {left.plan_id, right.plan_id}
    assert _save(bench, "bay_channel_save", job, left, output_limit_v="6.3").status_code == 200
    told = [f for f in findings_of(Job.objects.get(pk=job.pk)) if f.rule == "power-over-rating"]
    assert {f.where[0] for f in told} == {right.plan_id}


def test_what_feeds_an_amplifier_is_said_where_it_is_asked(
    bench: Client, job: Job, shop_floor: Workshop
) -> None:
    part = job.parts.get(product=shop_floor.amplifier)
    Product.objects.filter(pk=part.product_id).update(input_sensitivity_max_v=4.0)
    assert _rules(job)["amplifier-without-input"] == "note"
    page = _page(bench, "bay_channels", job)
    assert "Signal from the car" in page
    there = f"{reverse('bay_channels', args=[job.number])}?show=speakers#on-A1"
    assert there in _page(bench, "bay_findings", job)
    url = reverse("bay_part_save", args=[job.number, part.pk]) + "?turn-on"
    for cells, status in (
        ({"input_from": "satellite"}, 422),
        ({"input_from_v": "0"}, 422),
        ({"input_from": "factory_speaker"}, 200),
    ):
        part.refresh_from_db()
        assert bench.post(url, {"version": part.version, **cells}).status_code == status, cells
    rules = _rules(job)
    assert "amplifier-without-input" not in rules
    assert rules["input-overdriven"] == "stop"
    Product.objects.filter(pk=part.product_id).update(input_max_v=20.0)
    assert "input-overdriven" not in _rules(job)


def test_a_second_amplifier_nothing_feeds_is_a_stop_once_the_first_says_its_source(
    shop_floor: Workshop,
) -> None:
    job = shop_floor.job()
    shop_floor.wire(job)
    move_job = Job.objects.get(pk=job.pk)
    second = JobPart.objects.create(job=job, product=shop_floor.amplifier, label="A2")
    channel = Channel.objects.create(job=job, part=second, kind="amplifier", number=1)
    channel.speakers.add(job.speakers.all()[0])
    assert _rules(move_job)["amplifier-without-input"] == "note"
    job.parts.filter(label="A1").update(input_from="factory_line")
    told = [f for f in findings_of(move_job) if f.rule == "amplifier-without-input"]
    assert [(f.severity, f.where[0]) for f in told] == [("stop", "A2")]


def test_two_coils_ask_how_they_are_joined_before_the_speaker_has_a_place(
    bench: Client, shop_floor: Workshop
) -> None:
    woofer = make_product(
        kind=ProductKind.SPEAKER,
        name="Bittern 250",
        speaker_kind=SpeakerKind.SUBWOOFER,
        impedance_ohm=4.0,
        coils=2,
    )
    job = shop_floor.job(coaxial=woofer)
    part = job.parts.get(product=woofer)
    url = reverse("bay_place_add", args=[job.number, "boot"])
    what = re.search(rf'name="what" value="([^"]+)"[^>]*>\s*<span>[^<]*{woofer.name}',
                     _page(bench, "bay_place", job, "boot"))  # fmt: skip
    assert what, "the woofer is offered"
    silent = bench.post(url, {"what": what[1]})
    assert silent.status_code == 422
    assert "Say how its two coils are joined" in silent.content.decode()
    assert not job.speakers.exists()
    assert bench.post(url, {"what": what[1], "coil_joining": "series"}).status_code == 200
    speaker = job.speakers.get()
    assert (speaker.part_id, speaker.coil_joining) == (part.pk, "series")
    channel = job.channels.get(number=1)
    put_on(job.number, channel.pk, speaker.pk, actor=shop_floor.technician)
    assert "coils-not-joined" not in _rules(job)
    _save(bench, "bay_speaker_save", job, speaker, coil_joining="single")
    assert _rules(job)["coils-not-joined"] == "stop"


def test_the_sheet_says_passive_parts_limits_and_where_the_signal_clips(
    job: Job, shop_floor: Workshop
) -> None:
    job.speakers.filter(kind="tweeter").update(passive="6.8 µF")
    Channel.objects.filter(job=job, number=3).update(output_limit_v=12.5)
    job.parts.filter(label="A1").update(input_from="factory_line", input_from_v=2.0)
    Product.objects.filter(pk=shop_floor.amplifier.pk).update(
        input_sensitivity_min_v=0.2, input_sensitivity_max_v=4.0
    )
    shop_floor.prove(job)
    move(job.pk, "finish", shop_floor.technician)
    draft = sheet_document.draft(sheet_document.load(pk=job.pk))
    values = sheet_values(draft)
    rows = {one["id"]: one for one in values["channels"]}
    assert "behind 6.8\u00a0µF" in rows["A1.1"]["feeds"][0]["words"]
    assert rows["A1.3"]["held"] == "12.5\u00a0V"
    assert rows["A1.4"]["held"] == ""
    assert values["clips"]
    assert rows["A1.3"]["clips"].startswith("Clips first at")
    device = next(one for one in values["power"]["devices"] if one["id"] == "A1")
    assert device["input_from"] == "A line output of the car"


def test_a_row_being_entered_is_not_compared_until_the_work_is_looked_at_whole(
    bench: Client, job: Job, shop_floor: Workshop
) -> None:
    right = job.channels.get(number=4)
    job.tuning_records.get(kind="after").settings.filter(channel=right).delete()
    sides = [f for f in findings_of(Job.objects.get(pk=job.pk)) if f.rule == "sides-differ"]
    assert sides
    entering = _page(bench, "bay_channels", job)
    whole = _page(bench, "bay_findings", job)
    assert sides[0].title not in entering
    assert sides[0].title in whole
