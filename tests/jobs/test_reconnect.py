"""A battery that was off: what the car wants to be taught again becomes steps, with a way back."""

from functools import partial

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.lists.reconnect import USUAL
from jobs.models import Job, JobEvent
from jobs.services.reconnect import add_reconnect, still_to_add
from jobs.undo import undo
from shop.forms.vehicles import VehicleModelForm
from shop.models import VehicleModel
from tests.factories import VehicleModelFactory, make_photo
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


@pytest.fixture
def job(floor: Workshop) -> Job:
    """A job with one step of its own, on a model with two lines of its own."""
    model = VehicleModelFactory(reconnect=" Clock \n\nSun roof: hold 10 s\nClock\n")
    assert isinstance(model, VehicleModel)
    job = floor.job(model)
    job.steps.create(text="Fit the amplifier", order=7)
    return job


def _steps(job: Job) -> list[str]:
    return list(job.steps.values_list("text", flat=True))


def test_the_models_lines_become_steps_once_and_go_again(
    client: Client, job: Job, floor: Workshop
) -> None:
    client.force_login(floor.technician)
    page = reverse("bay_steps", args=[job.number])
    assert "Sun roof: hold 10 s" in client.get(page).content.decode()
    url = reverse("bay_step_reconnect", args=[job.number])
    told = client.post(url, {"key": "dev_one"}, follow=True).content.decode()
    assert "2 steps added at the end" in told
    wanted = ["Fit the amplifier", "Clock", "Sun roof: hold 10 s"]
    assert _steps(job) == wanted
    client.post(url, {"key": "dev_one"})
    again = client.post(url, {"key": "dev_two"}, follow=True).content.decode()
    assert "Every one of them is a step of this job already." in again
    assert _steps(job) == wanted
    event = JobEvent.objects.get(job=job, code="steps.reconnect")
    undo(job.number, event.pk, floor.technician)
    undo(job.number, event.pk, floor.technician)
    assert _steps(job) == ["Fit the amplifier"]
    job.steps.create(text="Clock", order=8)
    add_reconnect(job.number, floor.technician)
    assert sorted(_steps(job)) == sorted(wanted), "one that stands there is not added again"


def test_a_step_that_was_worked_on_stays_when_the_others_are_taken_back(
    job: Job, floor: Workshop
) -> None:
    job.vehicle.vehicle_model.reconnect = "Clock\nWindows\nRadio code"
    job.vehicle.vehicle_model.save()
    event = add_reconnect(job.number, floor.technician)
    job.steps.filter(text="Clock").update(outcome="done")
    make_photo(job, floor.technician, subject=job.steps.get(text="Windows").photo_subject)
    undo(job.number, event.pk, floor.technician)
    assert _steps(job) == ["Fit the amplifier", "Clock", "Windows"]


def test_a_model_without_lines_gets_the_usual_ones_and_a_closed_sheet_none(
    floor: Workshop, job: Job
) -> None:
    other = floor.job()
    assert still_to_add(other) == list(USUAL)
    Job.objects.filter(pk=other.pk).update(stage="signed_off")
    with pytest.raises(Refused, match="sheet is closed"):
        add_reconnect(other.number, floor.technician)
    assert _steps(other) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [("x" * 201, "Line 1 is longer than 200"), ("y\n" * 31, "At most 30 lines"), ("x" * 200, "")],
)
def test_lines_of_a_model_fit_a_step(text: str, said: str) -> None:
    form = VehicleModelForm({"reconnect": text})
    assert said in str(form.errors.get("reconnect", ""))
    assert bool(said) == ("reconnect" in form.errors)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_who_add_them_at_once_one_is_told() -> None:
    floor = Workshop()
    job = floor.job()
    answers = at_once(
        partial(add_reconnect, job.number, floor.technician, "a_1"),
        partial(add_reconnect, job.number, floor.manager, "b_1"),
    )
    assert sum(isinstance(one, Refused) for one in answers) == 1
    assert _steps(job) == list(USUAL)
