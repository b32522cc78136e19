"""An adapter lead between two plugs: pin to pin, with the colour of each wire."""

from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.forms.bay.adapters import PinToPin
from jobs.models import AdapterWire, Job, JobEvent
from jobs.services.adapters import add_adapter, remove_adapter, remove_wire, save_wire, write_pins
from jobs.services.moves import move
from jobs.setups.apply import take_whole
from jobs.setups.library import create_setup
from jobs.sheet.changes import changes
from jobs.sheet.document import draft, load
from jobs.sheet.values import sheet_values
from jobs.undo import undo
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db

ENDS = ("Radio plug", "Module in")


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


@pytest.fixture
def job(floor: Workshop) -> Job:
    return floor.job()


def _plugs(floor: Workshop, job: Job) -> None:
    """Two plugs with one function that both have once, one twice, and one that only one has."""
    radio = job.vehicle.vehicle_model.plugs.create(name=ENDS[0])
    for pin, base, function in (
        ("1", "GN", "Front left +"), ("2", "BU", "Rear +"), ("3", "BU", "rear +"), ("4", "RD", ""),
    ):  # fmt: skip
        radio.cavities.create(cavity=pin, base=base, function=function)
    module = floor.amplifier.plugs.create(name=ENDS[1])
    for pin, function in (("9", "front  LEFT +"), ("8", "Rear +"), ("7", "")):
        module.cavities.create(cavity=pin, base="WH", function=function)


def _pins(job: Job) -> list[tuple[str, str, str]]:
    rows = AdapterWire.objects.filter(adapter__job=job).order_by("adapter", "pk")
    return [(one.from_pin, one.to_pin, one.base) for one in rows]


def test_pins_of_one_function_are_joined_at_once_and_others_are_not_guessed(
    floor: Workshop, job: Job
) -> None:
    _plugs(floor, job)
    event = add_adapter(job.number, "Lead", *ENDS, actor=floor.technician, key="d_1")
    assert _pins(job) == [("1", "9", "GN")]
    assert add_adapter(job.number, "Lead", *ENDS, actor=floor.technician, key="d_1") == event
    with pytest.raises(Refused, match="name of its own"):
        add_adapter(job.number, "Lead", *ENDS, actor=floor.technician)
    add_adapter(job.number, "Second", "Unknown", "Nowhere", actor=floor.technician)
    assert len(_pins(job)) == 1
    undo(job.number, event.pk, floor.technician)
    assert [one.name for one in job.adapters.all()] == ["Second"]


def test_of_two_equal_leads_each_keeps_its_own_and_all_can_be_taken_back(
    floor: Workshop, job: Job
) -> None:
    who = floor.technician
    for name in ("Left", "Right"):
        add_adapter(job.number, name, *ENDS, actor=who)
    left, right = job.adapters.all()
    wires = [PinToPin("1", "4", "GN", "WH"), PinToPin("2", "5")]
    wrote = write_pins(job.number, right.pk, wires, actor=who, key="d_1")
    assert write_pins(job.number, right.pk, wires, actor=who, key="d_1") == wrote
    assert (left.wires.count(), right.wires.count()) == (0, 2)
    with pytest.raises(Refused, match="1 – 4"):
        write_pins(job.number, right.pk, [PinToPin("7", "8"), wires[0]], actor=who)
    assert right.wires.count() == 2, "all or none"
    first, second, *_ = right.wires.all()
    write_pins(job.number, right.pk, [PinToPin("1", "5")], actor=who)
    with pytest.raises(Refused, match="already"):
        save_wire(job.number, first.pk, {"to_pin": "5"}, actor=who, version=1)
    save_wire(job.number, second.pk, {"base": "BU"}, actor=who, version=second.version)
    gone = remove_adapter(job.number, right.pk, actor=who, key="d_2")
    assert remove_adapter(job.number, right.pk, actor=who, key="d_2") == gone
    undo(job.number, gone.pk, who)
    back = job.adapters.get(name="Right")
    assert (back.pk, [one.base for one in back.wires.all()][:2]) == (right.pk, ["GN", "BU"])
    out = remove_wire(job.number, first.pk, actor=who)
    write_pins(job.number, right.pk, [wires[0]], actor=who)
    with pytest.raises(Refused, match="again"):
        undo(job.number, out.pk, who)
    undo(job.number, wrote.pk, who)
    assert ("2", "5", "BU") in _pins(job), "what was put right since stays"
    Job.objects.filter(pk=job.pk).update(stage="signed_off")
    with pytest.raises(Refused, match="closed"):
        add_adapter(job.number, "Third", *ENDS, actor=who)


def test_the_page_takes_leads_and_pins_and_keeps_what_it_cannot_read(
    floor: Workshop, job: Job
) -> None:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(floor.technician)

    def post(name: str, *args: Any, **cells: str) -> Any:
        return client.post(reverse(name, args=[job.number, *args]), cells)

    before = draft(load(pk=job.pk))
    assert post("bay_adapter_add", from_plug="Radio", to_plug="Module").status_code == 204
    twice = post("bay_adapter_add", from_plug="Radio", to_plug="Module")
    assert twice.status_code == 422 and "name of its own" in twice.content.decode()
    (lead,) = job.adapters.all()
    assert lead.name == "Radio to Module"
    wrong = post("bay_adapter_pins", lead.pk, text="1; 4; GN/WH\n2; 5; octarine")
    page = wrong.content.decode()
    assert wrong.status_code == 422 and "Line 2" in page and "octarine" in page
    assert not lead.wires.exists()
    assert post("bay_adapter_pins", lead.pk, text="1; 4; green white\n2\t5").status_code == 204
    first, second = lead.wires.all()
    saved = post("bay_adapter_wire_save", second.pk, base="BU", version="1")
    assert saved.status_code == 200 and f'id="adapter-wire-{second.pk}"' in saved.content.decode()
    assert post("bay_adapter_wire_save", first.pk, to_pin="", version="1").status_code == 422

    document = draft(load(pk=job.pk))
    (shown,) = sheet_values(document)["adapters"]
    assert [one["lead"]["base"] for one in shown["wires"]] == ["GN", "BU"]
    assert "green" in shown["wires"][0]["lead"]["colour"]
    assert any(one["path"][0] == "adapters" for one in changes(before, document))
    del document["adapters"]
    assert sheet_values(document)["adapters"] == [], "a sheet from before there were any"
    assert "hx-swap-oob" in post("bay_adapter_wire_remove", first.pk).content.decode()
    assert "hx-swap-oob" in post("bay_adapter_remove", lead.pk).content.decode()


def test_a_second_car_gets_the_lead_whole_and_gives_it_back_whole(
    floor: Workshop, job: Job
) -> None:
    who = floor.technician
    floor.wire(job)
    floor.prove(job)
    add_adapter(job.number, "Lead", *ENDS, actor=who)
    write_pins(job.number, job.adapters.get().pk, [PinToPin("1", "4", "GN", "WH")], actor=who)
    sheet = floor.sign(move(job.pk, "finish", who))
    setup = create_setup(sheet.pk, "Four channels", "", who)
    second = floor.job(setup.vehicle_model)
    took = take_whole(second.number, setup, who)
    assert took.applied is not None and _pins(second) == [("1", "4", "GN")]
    undo(second.number, took.applied.event.pk, who)
    assert not second.adapters.exists() and job.adapters.exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_who_write_the_same_pins_at_once_write_them_once() -> None:
    floor = Workshop()
    job = floor.job()
    add_adapter(job.number, "Lead", *ENDS, actor=floor.technician)
    lead = job.adapters.get()
    one = partial(
        write_pins, job.number, lead.pk, [PinToPin("1", "4")], actor=floor.technician, key="a_1"
    )
    at_once(one, one)
    assert lead.wires.count() == 1
    assert JobEvent.objects.filter(job=job, code="adapter.pins").count() == 1
