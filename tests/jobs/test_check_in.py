"""Check-in: written down, kept whatever goes wrong, signed once."""

import base64
import io
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from PIL import Image

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import CheckIn, Job
from jobs.services.check_in import Mark, save_check_in, sign_check_in
from shop.models.vehicles import Powertrain
from shop.roles import Role
from tests.factories import VehicleFactory, VehicleModelFactory, make_job, make_staff

pytestmark = pytest.mark.django_db

# The smallest PNG there is: one transparent point.
PNG = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk"
    "YPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)


def too_many_points() -> str:
    """A signature of a few kilobytes that takes 36 MB to decode."""
    out = io.BytesIO()
    Image.new("RGBA", (3000, 3000)).save(out, "PNG")
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()


def typed(**overrides: Any) -> dict[str, Any]:
    return {
        "version": "0",
        "odometer": "48210",
        "odometer_unit": "km",
        "energy_percent": "60",
        "keys_count": "2",
        "keys_note": "Hook 4",
        "valuables": "Child seat",
        "customer_report": "Rear right crackles",
        "mark_kind": ["scratch", "dent"],
        "mark_x": ["0.5", "0.17"],
        "mark_y": ["0.17", "0.42"],
        "mark_note": ["old", ""],
        "signature_name": "O MARRICK",
        "signature": PNG,
        **overrides,
    }


@pytest.fixture
def job() -> Job:
    return make_job()


@pytest.fixture
def desk(client: Client) -> Client:
    client.force_login(make_staff(Role.FRONT_DESK))
    return client


def test_saved_changed_and_signed(desk: Client, job: Job) -> None:
    url = reverse("check_in", args=[job.number])
    desk.post(url, typed(do="save", odometer=""))
    job.refresh_from_db()
    assert (job.stage, job.check_in.version, job.check_in.marks.count()) == (Stage.BOOKED, 1, 2)

    only = {"mark_kind": ["chip"], "mark_x": ["0.5"], "mark_y": ["0.3"], "mark_note": [""]}
    answer = desk.post(url, typed(do="sign", version="1", **only))

    job.refresh_from_db()
    check_in = CheckIn.objects.get(job=job)
    assert answer["Location"] == job.get_absolute_url()
    assert job.stage == Stage.CHECKED_IN
    assert (check_in.odometer, check_in.signed_name, check_in.signature) == (
        48_210,
        "O MARRICK",
        PNG,
    )
    assert [mark.kind for mark in check_in.marks.all()] == ["chip"]
    saved = job.events.filter(code="check_in.saved").order_by("pk")
    assert saved.first().after["marks"] == ["Bonnet: scratch, old", "Front door, left: dent"]
    assert "O MARRICK" in desk.get(url).content.decode()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"odometer": "far"}, "Enter a whole number"),
        ({"odometer": ""}, "Read the odometer"),
        ({"signature_name": " "}, "Type the name"),
        ({"signature": "data:image/png;base64,PHN2Zz4="}, "could not be read"),
        ({"signature": PNG[:60]}, "could not be read"),
        ({"signature": too_many_points()}, "could not be read"),
        ({"signature": "https://example.org/x.png"}, "could not be read"),
    ],
)
def test_nothing_typed_is_lost_on_an_error(
    desk: Client, job: Job, wrong: dict[str, str], said: str
) -> None:
    answer = desk.post(reverse("check_in", args=[job.number]), typed(do="sign", **wrong))
    page = answer.content.decode()
    job.refresh_from_db()
    assert (answer.status_code, job.stage) == (422, Stage.BOOKED)
    assert said in page
    for kept in ("Hook 4", "Child seat", "Rear right crackles", 'name="mark_note" value="old"'):
        assert kept in page
    assert page.count('name="mark_x" value="0.') == 2


def test_the_second_of_two_people_sees_that_there_was_a_first(job: Job) -> None:
    desk = make_staff(Role.FRONT_DESK)
    save_check_in(job.pk, {"keys_count": 1}, [], version=0, actor=desk)
    with pytest.raises(ChangedMeanwhile):
        save_check_in(job.pk, {"keys_count": 3}, [], version=0, actor=desk)
    assert job.check_in.keys_count == 1


def test_what_is_signed_is_what_was_shown(job: Job) -> None:
    desk = make_staff(Role.FRONT_DESK)
    save_check_in(job.pk, {"keys_count": 1}, [], version=0, actor=desk)
    save_check_in(job.pk, {}, [Mark("dent", 0.5, 0.5)], version=1, actor=desk)
    with pytest.raises(ChangedMeanwhile):
        sign_check_in(job.pk, signed_name="A B", signature="", version=1, actor=desk)
    assert sign_check_in(job.pk, signed_name="A B", signature="", version=2, actor=desk).stage == (
        Stage.CHECKED_IN
    )
    with pytest.raises(Refused):
        save_check_in(job.pk, {"keys_count": 9}, [], version=3, actor=desk)


def test_a_slider_nobody_moved_is_not_a_reading(desk: Client, job: Job) -> None:
    form = typed(do="save")
    del form["energy_percent"]
    desk.post(reverse("check_in", args=[job.number]), form)
    assert CheckIn.objects.get(job=job).energy_percent is None


def test_a_high_voltage_car_is_cautioned(desk: Client) -> None:
    model = VehicleModelFactory(powertrain=Powertrain.ELECTRIC)
    electric = make_job(vehicle=VehicleFactory(vehicle_model=model))
    plain = make_job()
    shown = [
        "Orange cables" in desk.get(reverse("check_in", args=[job.number])).content.decode()
        for job in (electric, plain)
    ]
    assert shown == [True, False]
