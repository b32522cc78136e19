"""Cells of the bay sheet: saved once, merged or shown as a clash, refused when they may not be."""

import re
from typing import Any

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.models import Channel, ChannelSetting, Job, JobEvent, PowerRun, TuningRecord
from jobs.plan.document import plan_of
from jobs.services.moves import move
from shop.models import StaffMember, Units
from shop.roles import Role
from tests.factories import make_shop, make_staff
from tests.jobs.workshop import Workshop
from wiring.power.solution import solve

pytestmark = pytest.mark.django_db


def _client(person: StaffMember) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(person)
    return client


def _channel(job: Job, number: int = 1) -> Channel:
    return job.channels.get(part__label="A1", kind="amplifier", number=number)


def _save_wire(client: Client, job: Job, channel: Channel, **fields: Any) -> HttpResponse:
    url = reverse("bay_wire_save", args=[job.number, channel.pk])
    return client.post(url, {"version": channel.version, **fields})


def _seen(client: Client, url: str) -> str:
    page = client.get(url).content.decode()
    found = re.search(r'name="seen"[^>]*value="([^"]*)"', page)
    assert found
    return found[1]


def test_a_repeated_key_changes_nothing(shop_floor: Workshop, job: Job) -> None:
    client, channel = _client(shop_floor.technician), _channel(job)
    first = _save_wire(client, job, channel, connector="Plug B", key="k-1")
    _save_wire(client, job, _channel(job), connector="Plug C", key="k-2")
    again = _save_wire(client, job, channel, connector="Plug B", key="k-1")
    assert (first.status_code, again.status_code) == (200, 200)
    assert _channel(job).connector == "Plug C"
    assert JobEvent.objects.filter(key__in=["k-1", "k-2"]).count() == 2


def test_what_is_typed_again_as_it_stands_is_no_change(shop_floor: Workshop, job: Job) -> None:
    """The log names the cells that changed, and a save that changes none makes no event."""
    client, channel = _client(shop_floor.technician), _channel(job)
    same = channel.connector
    assert same
    _save_wire(client, job, channel, connector=same, note="Behind the kick panel")
    assert job.events.latest("pk").after.keys() - {"version"} == {"note"}
    channel.refresh_from_db()
    events, version = job.events.count(), channel.version
    _save_wire(client, job, channel, connector=same, note="Behind the kick panel")
    channel.refresh_from_db()
    assert (job.events.count(), channel.version) == (events, version)


def test_two_people_on_different_cells_of_a_row_both_keep_theirs(
    shop_floor: Workshop, job: Job
) -> None:
    channel = _channel(job)
    _save_wire(_client(shop_floor.manager), job, channel, connector="Plug B")
    mine = _save_wire(_client(shop_floor.technician), job, channel, positive_cavity="14")
    assert mine.status_code == 200
    assert (_channel(job).connector, _channel(job).positive_cavity) == ("Plug B", "14")


def test_a_clash_shows_both_and_one_tap_settles_it(shop_floor: Workshop, job: Job) -> None:
    channel, technician = _channel(job), _client(shop_floor.technician)
    _save_wire(_client(shop_floor.manager), job, channel, connector="Plug of the manager")
    clash = _save_wire(
        technician, job, channel, connector="My plug", positive_cavity="7", key="mine"
    )
    shown = clash.content.decode()
    assert clash.status_code == 409
    assert "My plug" in shown and "Plug of the manager" in shown
    assert str(shop_floor.manager) in shown
    now = _channel(job)
    assert (now.connector, now.positive_cavity) == ("Plug of the manager", "7")
    fresh = re.search(r'name="version" value="(\d+)"', shown)
    assert fresh and int(fresh[1]) == now.version
    settled = _save_wire(technician, job, now, connector="My plug")
    assert settled.status_code == 200 and _channel(job).connector == "My plug"
    written = [
        event.after["connector"]
        for event in job.events.filter(code="channel.changed")
        if "connector" in event.after
    ]
    assert written == ["My plug", "Plug of the manager"]


def test_a_bad_cell_comes_back_as_typed_and_the_good_one_beside_it_is_saved(
    shop_floor: Workshop, job: Job
) -> None:
    client, channel = _client(shop_floor.technician), _channel(job)
    url = reverse("bay_setting_save", args=[job.number, "after", channel.pk])
    before = ChannelSetting.objects.get(channel=channel, record__kind="after")
    answer = client.post(
        url, {"version": before.version, "level_db": "loud", "delay_ms": "0,35", "key": "k"}
    )
    shown = answer.content.decode()
    assert answer.status_code == 422
    assert 'value="loud"' in shown and 'aria-invalid="true"' in shown
    after = ChannelSetting.objects.get(pk=before.pk)
    assert (after.level_db, after.delay_ms) == (before.level_db, 0.35)


def test_a_closed_sheet_takes_nothing(shop_floor: Workshop, job: Job) -> None:
    shop_floor.prove(job)
    move(job.pk, "finish", shop_floor.technician)
    client, channel = _client(shop_floor.technician), _channel(job)
    assert _save_wire(client, job, channel, connector="Late").status_code == 403
    assert _channel(job).connector == channel.connector
    page = client.get(reverse("bay_channels", args=[job.number])).content.decode()
    assert "with the manager for review" in page
    assert re.search(r'<fieldset class="bay-body" disabled>', page)


def test_the_desk_reads_and_does_not_write(shop_floor: Workshop, job: Job) -> None:
    desk, channel = _client(make_staff(Role.FRONT_DESK)), _channel(job)
    assert _save_wire(desk, job, channel, connector="Desk").status_code == 403
    assert _channel(job).connector == channel.connector
    page = desk.get(reverse("bay_channels", args=[job.number])).content.decode()
    assert "You may read this sheet" in page and "Choose speaker" not in page


def test_an_edit_brings_the_findings_it_changes_and_no_others(
    shop_floor: Workshop, job: Job
) -> None:
    client, channel = _client(shop_floor.technician), _channel(job)
    page = reverse("bay_channels", args=[job.number]) + "?show=settings"
    url = reverse("bay_setting_save", args=[job.number, "after", channel.pk])
    version = ChannelSetting.objects.get(channel=channel, record__kind="after").version
    seen = _seen(client, page)

    def save(**fields: Any) -> str:
        headers = {"HX-Current-URL": f"http://testserver{page}"}
        return client.post(url, {"seen": seen, **fields}, headers=headers).content.decode()

    quiet = save(version=version, delay_ms="1.3", key="a")
    assert "hx-swap-oob" not in quiet
    loud = save(version=version + 1, high_pass_hz="", key="b")
    assert 'id="tab-tuning"' in loud and 'id="mark-at-A1-1"' in loud
    assert 'id="tab-power"' not in loud and 'id="mark-at-A1-4"' not in loud
    assert _seen(client, page) in loud


def test_a_channel_save_stays_small_and_keeps_its_queries(shop_floor: Workshop, job: Job) -> None:
    """Session, person, shop; job, row, update, event and its link; the plan's seven reads; more."""
    client, channel = _client(shop_floor.technician), _channel(job)
    seen = _seen(client, reverse("bay_channels", args=[job.number]) + "?show=wires")
    _save_wire(client, job, channel, connector="A", seen=seen, key="warm")
    with CaptureQueriesContext(connection) as captured:
        answer = _save_wire(client, job, _channel(job), connector="B", seen=seen, key="k")
    told = [query["sql"] for query in captured.captured_queries]
    statements = [one for one in told if not one.startswith(("SAVEPOINT", "RELEASE"))]
    own_read = 1
    assert answer.status_code == 200
    assert len(told) - len(statements) == 2, "one transaction, here within the test's"
    assert len(statements) - own_read <= 20
    assert len(answer.content) <= 4096


def test_lengths_are_typed_in_the_shops_units_and_kept_in_metres(
    shop_floor: Workshop, job: Job
) -> None:
    make_shop(units=Units.US)
    client = _client(shop_floor.technician)
    run = PowerRun.objects.get(job=job, label="R1")
    url = reverse("bay_run_save", args=[job.number, run.pk])
    answer = client.post(url, {"version": run.version, "length_m": "10", "key": "k"})
    run.refresh_from_db()
    assert run.length_m == pytest.approx(3.048, abs=1e-9)
    assert 'value="10"' in answer.content.decode()


def test_the_lay_of_the_strands_reaches_the_sums(shop_floor: Workshop, job: Job) -> None:
    run = PowerRun.objects.get(job=job, label="R1")
    flexible = solve(plan_of(job))
    url = reverse("bay_run_save", args=[job.number, run.pk])
    typed = {"version": run.version, "stranding": "solid", "key": "k"}
    assert _client(shop_floor.technician).post(url, typed).status_code == 200
    solid = solve(plan_of(job))
    assert solid.runs["R1"].drop_v < flexible.runs["R1"].drop_v


def test_a_length_that_cannot_be_is_refused_in_the_unit_typed(
    shop_floor: Workshop, job: Job
) -> None:
    make_shop(units=Units.US)
    run = PowerRun.objects.get(job=job, label="R1")
    url = reverse("bay_run_save", args=[job.number, run.pk])
    typed = {"version": run.version, "length_m": "-2", "key": "k"}
    answer = _client(shop_floor.technician).post(url, typed).content.decode()
    assert 'value="-2"' in answer and "Too small: 0.033 ft or more." in answer
    held = run.length_m
    run.refresh_from_db()
    assert run.length_m == held


def test_an_unfinished_sheet_says_what_is_missing(shop_floor: Workshop, job: Job) -> None:
    client = _client(shop_floor.technician)
    shown = client.get(reverse("bay_finish", args=[job.number])).content.decode()
    assert "No fit proof" in shown and "Not tried after the work" in shown
    assert 'name="csrfmiddlewaretoken"' not in shown
    shop_floor.prove(job)
    client.post(reverse("bay_move", args=[job.number, "finish"]))
    job.refresh_from_db()
    assert job.stage == Stage.READY_FOR_REVIEW


def test_what_was_not_in_the_car_has_no_row_before_the_work(shop_floor: Workshop, job: Job) -> None:
    bench = _client(shop_floor.technician)
    address = reverse("bay_tuning", args=[job.number])
    TuningRecord.objects.filter(job=job).delete()
    page = bench.get(address).content.decode()
    assert "setting before" not in page and page.count("setting after") == 4
    assert "?found=A1" in page
    asked = bench.get(address, {"found": "A1"}).content.decode()
    assert asked.count("setting before") == 4 and "?found=A1" not in asked
    shop_floor.set(job, job.channels.get(number=2), "before", {"level_db": -3.0})
    assert bench.get(address).content.decode().count("setting before") == 4

    before = bench.get(reverse("bay_before", args=[job.number])).content.decode()
    after = bench.get(reverse("bay_after", args=[job.number])).content.decode()
    assert "Voltage at A1 under load" not in before and "Voltage at A1 under load" in after
    job.readings.filter(label="Voltage at A1 under load").update(before_value=12.2)
    before = bench.get(reverse("bay_before", args=[job.number])).content.decode()
    assert "Voltage at A1 under load" in before and "not asked for before the work" in before


def test_a_car_that_came_back_had_its_devices_before(shop_floor: Workshop, job: Job) -> None:
    bench = _client(shop_floor.technician)
    TuningRecord.objects.filter(job=job).delete()
    Job.objects.filter(pk=job.pk).update(comeback_of=shop_floor.job())
    page = bench.get(reverse("bay_tuning", args=[job.number])).content.decode()
    assert page.count("setting before") == 4
