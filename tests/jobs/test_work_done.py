"""The sheet names who did the work, whoever handed it over, and when the work really started."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import FunctionCheck, Job, JobPart
from jobs.services import clock, notes, send_backs
from jobs.services.fit import save_part
from jobs.services.moves import move
from jobs.services.work_done import people_in_record, work_done
from jobs.sheet import document as sheet_document
from jobs.sheet.values import sheet_values
from jobs.wording import Local
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_job, make_photo, make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def second() -> StaffMember:
    return make_staff(Role.TECHNICIAN)


@pytest.fixture
def job(workshop: Workshop) -> Job:
    """A job in the bay whose sheet is complete; its record names the technician alone."""
    job = workshop.job()
    workshop.wire(job)
    workshop.prove(job)
    return job


def signed_for_work(job: Job) -> dict[str, Any]:
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    [box] = [
        one for one in sheet_values(document)["signatures"] if one["role"].startswith("Work done")
    ]
    return box


def enter(job: Job, person: StaffMember) -> None:
    """One entry on the bay sheet."""
    part = JobPart.objects.get(job=job, label="A1")
    save_part(
        job.number,
        part.pk,
        {"firmware": f"by {person}"},
        actor=person,
        version=part.version,
        key="",
    )


def test_who_alone_did_the_work_and_hands_it_over_is_not_asked(
    workshop: Workshop, job: Job
) -> None:
    move(job.pk, "finish", workshop.technician)
    box = signed_for_work(job)
    assert (box["name"], box["note"]) == (str(workshop.technician), "")
    assert box["role"] == "Work done and tried, technician"


def test_a_manager_who_hands_over_did_not_do_the_work(workshop: Workshop, job: Job) -> None:
    with pytest.raises(Refused, match="Say who did the work"):
        move(job.pk, "finish", workshop.manager)
    job.refresh_from_db()
    assert job.stage == Stage.IN_BAY
    move(job.pk, "finish", workshop.manager, worked_by=[workshop.technician.pk])
    box = signed_for_work(job)
    assert box["name"] == str(workshop.technician)
    assert box["note"] == f"handed to review by {workshop.manager}"
    event = job.events.get(code="job.finish")
    assert [one["id"] for one in event.after["worked"]] == [workshop.technician.pk]
    sheet = workshop.sign(job)
    StaffMember.objects.filter(pk=workshop.technician.pk).update(name="Renamed since")
    assert sheet.document["signatures"]["work"]["people"] == [str(workshop.technician)]


def test_two_who_worked_are_asked_and_both_can_stand(
    workshop: Workshop, job: Job, second: StaffMember
) -> None:
    clock.start(job.number, actor=second)
    assert set(work_done(job, workshop.technician).people) == {workshop.technician, second}
    with pytest.raises(Refused, match="Say who did the work"):
        move(job.pk, "finish", workshop.technician)
    move(job.pk, "finish", second, worked_by=[second.pk, workshop.technician.pk])
    box = signed_for_work(job)
    assert box["role"] == "Work done and tried, technicians"
    assert str(second) in box["name"]
    assert str(workshop.technician) in box["name"]
    assert not box["note"]


def test_words_pictures_and_booking_are_no_work(workshop: Workshop) -> None:
    job = workshop.job()
    assert job.events.filter(code="part.added", actor=workshop.desk).exists()
    notes.add_note(job.number, "The customer rang", actor=workshop.manager, key="n-1")
    make_photo(job, workshop.manager)
    assert people_in_record(job) == []
    enter(job, workshop.manager)
    assert people_in_record(job) == [workshop.manager]


def test_nobody_in_the_record_is_asked_for(workshop: Workshop) -> None:
    job = workshop.job()
    assert work_done(job, workshop.technician) == ([], False)


@pytest.mark.parametrize("named", ["the desk", "nobody known"])
def test_only_the_bench_did_work(workshop: Workshop, job: Job, named: str) -> None:
    other = workshop.desk.pk if named == "the desk" else 999_999
    with pytest.raises(Refused, match="Say who did the work"):
        move(job.pk, "finish", workshop.technician, worked_by=[workshop.technician.pk, other])
    job.refresh_from_db()
    assert job.stage == Stage.IN_BAY


def test_on_a_correction_who_did_the_work_stays(workshop: Workshop, job: Job) -> None:
    move(job.pk, "finish", workshop.technician)
    workshop.sign(job)
    move(job.pk, "correct", workshop.manager, "Serial number was misread")
    enter(job, workshop.manager)
    move(job.pk, "hand_correction", workshop.manager)
    move(job.pk, "recall_correction", workshop.manager)
    move(job.pk, "hand_correction", workshop.manager)
    box = signed_for_work(job)
    assert box["name"] == str(workshop.technician)
    assert not box["note"]


def test_a_correction_of_a_sheet_from_before_anybody_was_asked(
    workshop: Workshop, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("jobs.services.moves._who_worked", lambda *_: {})
    move(job.pk, "finish", workshop.manager)
    assert signed_for_work(job)["name"] == str(workshop.technician)
    workshop.sign(job)
    monkeypatch.undo()
    move(job.pk, "correct", workshop.manager, "Serial number was misread")
    enter(job, workshop.manager)
    assert work_done(job, workshop.manager) == ([workshop.technician], True)


def test_sent_back_and_put_right_by_another(
    workshop: Workshop, job: Job, second: StaffMember
) -> None:
    move(job.pk, "finish", workshop.technician)
    move(job.pk, "recall", workshop.technician)
    assert work_done(job, workshop.technician) == ([workshop.technician], True)
    move(job.pk, "finish", workshop.technician)
    move(job.pk, "send_back", workshop.manager, "Label the plug")
    [point] = job.send_backs.all()
    send_backs.tick(job.number, point.pk, True, actor=second)
    assert work_done(job, second) == ([workshop.technician, second], False)
    move(job.pk, "finish", second, worked_by=[workshop.technician.pk, second.pk])
    move(job.pk, "recall", second)
    assert work_done(job, second).plain


def test_the_hand_over_asks_on_the_screen(
    workshop: Workshop, job: Job, client: Client, second: StaffMember
) -> None:
    client.force_login(workshop.manager)
    page = client.get(job.get_absolute_url()).content.decode()
    assert f'href="{reverse("bay_finish", args=[job.number])}"' in page
    dialog = client.get(reverse("bay_finish", args=[job.number])).content.decode()
    assert "Who did the work?" in dialog
    assert f'value="{workshop.technician.pk}" checked' in dialog
    assert f'value="{second.pk}">' in dialog
    assert f'value="{workshop.desk.pk}"' not in dialog
    url = reverse("bay_move", args=[job.number, "finish"])
    refused = client.post(url)
    assert refused.status_code == 422
    assert "Say who did the work" in refused.content.decode()
    answer = client.post(url, {"worked_by": [second.pk, workshop.technician.pk]})
    assert answer.status_code == 302
    job.refresh_from_db()
    assert job.stage == Stage.READY_FOR_REVIEW
    history = client.get(job.get_absolute_url()).content.decode()
    assert f"Work done by {workshop.technician}, {second}." in history


def test_started_is_when_work_started(workshop: Workshop) -> None:
    booked = timezone.now() - timedelta(days=3)
    job = make_job(Stage.CHECKED_IN, actor=workshop.desk, starts_at=booked)
    facts = sheet_values(sheet_document.draft(sheet_document.load(pk=job.pk)))["facts"]
    assert (facts["started"], facts["booked"]) == ("", "")
    move(job.pk, "start_work", workshop.technician)
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    started = job.events.get(code="job.start_work").at.isoformat(timespec="seconds")
    assert document["job"]["started_at"] == started
    local = Local(document["shop"]["units"], document["shop"]["time_zone"])
    assert sheet_values(document)["facts"]["started"] == local.day(started)
    assert local.day(started) != local.day(document["job"]["starts_at"])


def test_function_ticks_name_who_tried_them(workshop: Workshop, job: Job) -> None:
    other = make_staff(Role.TECHNICIAN)
    FunctionCheck.objects.filter(pk=job.function_checks.first().pk).update(after_by=other)
    assert set(people_in_record(job)) == {workshop.technician, other}
