"""How parts are mounted, and the panels that came off for it."""

from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.models import Job, JobEvent
from jobs.services.moves import move
from jobs.services.panels import add_panel, all_refitted, remove_panel, save_panel
from jobs.setups.apply import take_whole
from jobs.setups.library import create_setup
from jobs.sheet.customer import customer_values
from jobs.sheet.document import draft, load
from jobs.sheet.values import sheet_values
from jobs.undo import undo
from shop.models import ProductKind
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db

DOOR = "Door card, front left"


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


def _client(floor: Workshop) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(floor.technician)
    return client


def _mount(floor: Workshop, job: Job, label: str, **cells: str) -> Any:
    part = job.parts.get(label=label)
    url = reverse("bay_part_save", args=[job.number, part.pk]) + "?row=mount"
    return _client(floor).post(url, {"version": part.version, **cells})


def test_each_part_of_two_says_its_own_mounting_and_the_sheet_shows_both(floor: Workshop) -> None:
    job = floor.job()
    assert (
        _mount(floor, job, "A1", mount_place="Under the seat", torque_nm="9,5").status_code == 200
    )
    assert _mount(floor, job, "S1", fixings="4 screws 4 mm", torque_nm="2 N·m").status_code == 200
    shown = sheet_values(draft(load(pk=job.pk)))["mounted"]
    assert [(one["label"], one["place"], one["fixings"], one["torque"]) for one in shown] == [
        ("A1", "Under the seat", "–", "9.5\u00a0N·m"),
        ("S1", "–", "4 screws 4 mm", "2\u00a0N·m"),
    ]
    wrong = _mount(floor, job, "A1", torque_nm="900")
    assert wrong.status_code == 422 and "200 N·m or less" in wrong.content.decode()
    assert job.parts.get(label="A1").torque_nm == 9.5


def test_a_panel_is_added_once_and_every_tap_has_its_way_back(floor: Workshop) -> None:
    job, who = floor.job(), floor.technician
    added = add_panel(job.number, DOOR, 8, actor=who, key="d_1")
    assert add_panel(job.number, DOOR, 8, actor=who, key="d_1") == added
    with pytest.raises(Refused, match="which side"):
        add_panel(job.number, DOOR, 9, actor=who, key="d_2")
    add_panel(job.number, "Boot floor", None, actor=who)
    door = job.panels.get(name=DOOR)
    save_panel(job.number, door.pk, {"clips_replaced": 2}, actor=who, version=1, key="d_3")
    with pytest.raises(Refused, match="has 8 clips"):
        save_panel(job.number, door.pk, {"clips_replaced": 9}, actor=who, version=2, key="d_4")
    door.refresh_from_db()
    assert door.clips_replaced == 2
    with pytest.raises(Refused, match="written of"):
        undo(job.number, added.pk, who)
    gone = remove_panel(job.number, door.pk, actor=who, key="d_5")
    assert remove_panel(job.number, door.pk, actor=who, key="d_5") == gone
    undo(job.number, gone.pk, who)
    back = job.panels.get(name=DOOR)
    assert (back.pk, back.clips, back.clips_replaced) == (door.pk, 8, 2)

    tap = all_refitted(job.number, actor=who, key="d_6")
    assert tap is not None and all_refitted(job.number, actor=who, key="d_6") == tap
    assert [one.state for one in job.panels.all()] == ["refitted", "refitted"]
    floors = job.panels.get(name="Boot floor")
    save_panel(
        job.number, floors.pk, {"state": "replaced"}, actor=who, version=floors.version, key="d_7"
    )
    undo(job.number, tap.pk, who)
    assert {one.name: one.state for one in job.panels.all()} == {DOOR: "", "Boot floor": "replaced"}
    assert all_refitted(job.number, actor=who) is not None
    assert all_refitted(job.number, actor=who) is None
    Job.objects.filter(pk=job.pk).update(stage="signed_off")
    with pytest.raises(Refused, match="closed"):
        add_panel(job.number, "Dash trim", 4, actor=who)


def test_the_page_takes_panels_and_the_customer_hears_of_what_is_not_the_cars_own(
    floor: Workshop,
) -> None:
    job, client = floor.job(), _client(floor)
    url = reverse("bay_panel_add", args=[job.number])
    assert client.post(url, {"name": DOOR, "clips": "8"}).status_code == 204
    twice = client.post(url, {"name": DOOR, "clips": "7"})
    assert twice.status_code == 422 and 'value="7"' in twice.content.decode()
    client.post(url, {"name": "Boot floor", "clips": ""})
    door = job.panels.get(name=DOOR)
    save = reverse("bay_panel_save", args=[job.number, door.pk])
    cells = {"version": 1, "clips_replaced": "2", "state": "refitted"}
    assert client.post(save, cells).status_code == 200
    refitted = client.post(reverse("bay_panels_refitted", args=[job.number])).content.decode()
    assert 'hx-swap-oob="true"' in refitted and "Every panel is refitted" in refitted
    document = draft(load(pk=job.pk))
    told = customer_values(document, None, {})["panels"]
    assert told == [f"{DOOR}: 2 clips or screws replaced."]
    del document["panels"]
    assert sheet_values(document)["panels"] == [], "a sheet from before there were any"
    page = client.post(reverse("bay_panel_remove", args=[job.number, door.pk])).content.decode()
    assert f'id="panel-{door.pk}" hx-swap-oob="delete"' in page


def test_a_second_car_gets_mounting_and_panels_and_nothing_is_back_yet(floor: Workshop) -> None:
    job, who = floor.job(), floor.technician
    floor.wire(job)
    floor.prove(job)
    _mount(floor, job, "A1", mount_place="Under the seat", torque_nm="9", drilled="2 of 5 mm")
    speaker = job.parts.filter(product__kind=ProductKind.SPEAKER).first()
    assert speaker is not None
    _mount(floor, job, speaker.label, fixings="4 screws 4 mm")
    add_panel(job.number, DOOR, 8, actor=who)
    all_refitted(job.number, actor=who)
    sheet = floor.sign(move(job.pk, "finish", who))
    setup = create_setup(sheet.pk, "Four channels", "", who)
    second = floor.job(setup.vehicle_model)
    took = take_whole(second.number, setup, who)
    assert took.applied is not None
    amplifier = second.parts.get(label="A1")
    assert (amplifier.mount_place, amplifier.torque_nm, amplifier.drilled) == (
        "Under the seat", 9.0, "",
    )  # fmt: skip
    assert second.parts.get(product=speaker.product).fixings == "4 screws 4 mm"
    assert [(one.name, one.clips, one.state) for one in second.panels.all()] == [(DOOR, 8, "")]
    undo(second.number, took.applied.event.pk, who)
    amplifier.refresh_from_db()
    assert amplifier.torque_nm is None and not second.panels.exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_who_add_the_same_panel_at_once_add_it_once() -> None:
    floor = Workshop()
    job = floor.job()
    at_once(
        partial(add_panel, job.number, DOOR, 8, actor=floor.technician, key="a_1"),
        partial(add_panel, job.number, DOOR, 8, actor=floor.technician, key="a_1"),
    )
    assert job.panels.count() == 1
    assert JobEvent.objects.filter(job=job, code="panel.added").count() == 1
