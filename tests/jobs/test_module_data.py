"""What was put into a module: entered once, kept with the sheet, taken along to the next car."""

import html
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job, JobPart
from jobs.plan.document import findings_of
from jobs.plan.power import section_of
from jobs.services.moves import move
from jobs.setups.apply import take_whole
from jobs.setups.library import create_setup
from jobs.sheet.change_values import change_values
from jobs.sheet.changes import changes
from jobs.sheet.document import draft, load
from jobs.sheet.values import sheet_values
from jobs.undo import undo
from jobs.wording import Local
from shop.models import Product
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db

DATA = {
    "data_file": "Tamsel 2021, amplified, profile 4",
    "options": "Switch 1 and 3 on; chimes to the front left",
    "written_with": "Bench computer 2",
    "written_cable": "Cable of the module",
}
OWN = {"firmware_before": "1.8", "backup": "Shop drive, folder 412"}


@pytest.fixture
def floor() -> Workshop:
    floor = Workshop()
    Product.objects.filter(pk=floor.amplifier.pk).update(max_sections=10)
    return floor


def _save(floor: Workshop, job: Job, row: str = "data", **cells: str) -> Any:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(floor.technician)
    part = job.parts.get(label="A1")
    url = reverse("bay_part_save", args=[job.number, part.pk]) + f"?row={row}"
    return client.post(url, {"version": part.version, **cells})


def _page(floor: Workshop, job: Job) -> str:
    client = Client()
    client.force_login(floor.technician)
    return client.get(reverse("bay_fit", args=[job.number])).content.decode()


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        ({}, False),
        ({"firmware": "2.0", "data_file": "Profile 4"}, False),
        ({"firmware_before": "1.8"}, False),
        ({"firmware_before": "1.8", "firmware": " 1.8 "}, False),
        ({"firmware_before": "1.8", "firmware": "2.0"}, True),
        ({"firmware_before": "1.8", "firmware": "1.8", "data_file": "Profile 4"}, True),
        ({"firmware_before": "1.8", "firmware": "2.0", "backup": "Shop drive"}, False),
        ({"firmware_before": "1.8", "firmware": "2.0", "no_backup": True}, False),
    ],
)
def test_what_was_read_and_written_over_wants_its_backup(
    floor: Workshop, facts: dict[str, Any], told: bool
) -> None:
    job = floor.job()
    twin = JobPart.objects.create(job=job, product=floor.amplifier, label="A2")
    JobPart.objects.filter(pk=twin.pk).update(**facts)
    found = [one for one in findings_of(job) if one.rule == "module-without-backup"]
    assert [section_of(one) for one in found] == ["fit"] * told
    assert [(one.severity, one.where) for one in found] == ([("caution", ("A2",))] if told else [])


def test_only_parts_that_hold_data_are_asked(floor: Workshop) -> None:
    job = floor.job()
    assert 'id="data-A1"' in _page(floor, job)
    Product.objects.filter(pk=floor.amplifier.pk).update(max_sections=None)
    assert "What was put into the modules" not in _page(floor, job)


def test_data_stands_on_the_sheet_and_a_correction_says_what_changed(floor: Workshop) -> None:
    job = floor.job()
    before = draft(load(pk=job.pk))
    answer = _save(floor, job, **DATA, **OWN)
    assert answer.status_code == 200 and 'id="data-A1"' in answer.content.decode()
    other = floor.job()
    assert "Bench computer 2" in _page(floor, other), "offered where it is typed next"
    after = draft(load(pk=job.pk))
    part = next(one for one in after["parts"] if one["label"] == "A1")
    assert part["data"] == {**DATA, **OWN}
    said = change_values(changes(before, after), Local("metric", "Europe/Berlin"))
    assert any("Shop drive, folder 412" in str(row["is"]) for one in said for row in one["rows"])
    del part["data"]
    assert sheet_values(after)["document"]["parts"], "a sheet from before there was any"
    too_long = _save(floor, job, options="x" * 301)
    assert too_long.status_code == 422 and "x" * 301 in html.unescape(too_long.content.decode())


def test_a_second_car_gets_all_but_what_is_the_units_own(floor: Workshop) -> None:
    job = floor.job()
    floor.wire(job)
    floor.prove(job)
    _save(floor, job, **DATA, **OWN)
    _save(floor, job, "", serial="W6-1", firmware="2.0")
    sheet = floor.sign(move(job.pk, "finish", floor.technician))
    setup = create_setup(sheet.pk, "Four channels", "", floor.technician)
    second = floor.job(setup.vehicle_model)
    took = take_whole(second.number, setup, floor.technician)
    assert took.applied is not None
    part = second.parts.get(label="A1")
    assert {name: getattr(part, name) for name in DATA} == DATA
    assert (part.firmware, part.firmware_before, part.backup) == ("2.0", "", "")
    assert part.serial != "W6-1"
    undo(second.number, took.applied.event.pk, floor.technician)
    part.refresh_from_db()
    assert (part.data_file, part.options, part.written_with) == ("", "", "")
