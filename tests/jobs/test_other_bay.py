"""Starting work in another bay than the one booked."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.services.other_bay import choices, start_in
from shop.models import Bay
from shop.roles import Role
from tests.factories import BayFactory, make_job, make_staff
from tests.racing import at_once


def _waiting(bay: Bay, stage: Stage = Stage.CHECKED_IN) -> Job:
    """A job booked for a bay, its slot clear of every other job's."""
    later = timedelta(days=Job.objects.count() + 1)
    job = make_job(stage, bay=bay)
    slot = {"starts_at": job.starts_at + later, "ends_at": job.ends_at + later}
    Job.objects.filter(pk=job.pk).update(**slot, promised_at=job.promised_at + later)
    return Job.objects.get(pk=job.pk)


@pytest.mark.django_db
def test_a_job_starts_in_a_free_bay_and_its_booking_moves_along() -> None:
    technician = make_staff(Role.TECHNICIAN)
    booked, free, busy = (BayFactory(name=name) for name in ("Bay 1", "Bay 2", "Bay 3"))
    _waiting(booked, Stage.IN_BAY)
    _waiting(busy, Stage.IN_BAY)
    job = _waiting(booked)
    assert [(one.bay.name, bool(one.why_not)) for one in choices(job)] == [
        ("Bay 1", True),
        ("Bay 2", False),
        ("Bay 3", True),
    ]
    client = Client()
    client.force_login(technician)
    url = reverse("bay_start_elsewhere", args=[job.number])
    assert client.post(url, {"bay": busy.pk}).status_code == 422
    assert Job.objects.get(pk=job.pk).bay == booked
    slot = (job.starts_at, job.ends_at)
    for _ in range(2):
        assert client.post(url, {"bay": free.pk}).status_code == 302
    job.refresh_from_db()
    assert (job.stage, job.bay, job.technician) == (Stage.IN_BAY, free, technician)
    assert (job.starts_at, job.ends_at) == slot
    codes = [one.code for one in job.events.order_by("pk")]
    assert codes[-2:] == ["job.changed", "job.start_work"]
    assert job.events.get(code="job.changed").after == {"bay": "Bay 2"}


@pytest.mark.django_db
def test_a_bay_that_is_booked_for_that_time_or_out_of_use_is_refused_and_nothing_moves() -> None:
    technician = make_staff(Role.TECHNICIAN)
    booked, promised, shut = BayFactory(), BayFactory(), BayFactory(active=False)
    job = _waiting(booked)
    other = _waiting(promised, Stage.BOOKED)
    slot = {"starts_at": job.starts_at, "ends_at": job.ends_at}
    Job.objects.filter(pk=other.pk).update(**slot, promised_at=job.promised_at)
    for bay, why in ((promised, "is taken by"), (shut, "out of use")):
        with pytest.raises(Refused, match=why):
            start_in(job.number, bay.pk, actor=technician)
    with pytest.raises(Refused, match="not for your role"):
        start_in(job.number, booked.pk, actor=make_staff(Role.FRONT_DESK))
    with pytest.raises(ChangedMeanwhile):
        start_in(other.number, booked.pk, actor=technician)
    job.refresh_from_db()
    assert (job.bay, job.stage) == (booked, Stage.CHECKED_IN)
    assert not job.events.filter(code="job.changed").exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_who_start_in_one_free_bay_at_once_one_is_refused() -> None:
    technician, free = make_staff(Role.TECHNICIAN), BayFactory()
    jobs = [_waiting(BayFactory()) for _ in range(2)]
    answers = at_once(
        *(lambda job=job: start_in(job.number, free.pk, actor=technician) for job in jobs)
    )
    assert sorted(type(one).__name__ for one in answers) == ["Job", "Refused"]
    assert Job.objects.filter(bay=free, stage=Stage.IN_BAY).count() == 1
