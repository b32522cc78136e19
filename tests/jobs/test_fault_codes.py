"""Fault codes read before the work and after it: what is new is a caution."""

from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from jobs.models import FaultCodes, Job, JobEvent
from jobs.plan.document import findings_of
from jobs.plan.fault_codes import new_codes
from jobs.services.fault_codes import save_codes
from jobs.sheet.changes import changes
from jobs.sheet.document import draft, load
from jobs.sheet.sign_off import give_reason
from jobs.sheet.values import sheet_values
from shop.models import StaffMember
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


@pytest.fixture
def job(floor: Workshop) -> Job:
    return floor.job()


def _save(who: StaffMember, job: Job, phase: str, text: str, version: int, key: str) -> Any:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(who)
    answer: HttpResponse = client.post(
        reverse("bay_faults_save", args=[job.number, phase]),
        {f"{phase}_codes": text, "version": version, "key": key},
    )
    return answer.status_code, answer.content.decode()


@pytest.mark.parametrize(
    ("before", "after", "new"),
    [
        ("", "P0301", []),
        ("P0301", "", []),
        ("none", "None.", []),
        ("none", "Radio; U0184; no answer", ["Radio; U0184; no answer"]),
        ("Radio; U0184", "U0184 no answer", []),
        ("U0184", "Radio; u0184; said otherwise", []),
        ("Radio; U0184", "Radio; U0184\nAmplifier; U0184", ["Amplifier; U0184"]),
        ("B1A01-11", "B1A0111", []),
        ("B1A01-11", "B1A01-13", ["B1A01-13"]),
        ("Fault 17; door", "fault 17; door lamp\nFault 18", ["Fault 18"]),
        ("P0301\nP0302", "P0302", []),
    ],
)
def test_what_was_not_there_before_is_new(before: str, after: str, new: list[str]) -> None:
    assert new_codes(before, after) == new


def test_codes_are_read_once_each_time_and_what_is_new_asks_for_a_reason(
    job: Job, floor: Workshop
) -> None:
    who = floor.technician
    status, _ = _save(who, job, "before", "  Radio;  U0184 \n\n", 0, "dev_a")
    assert status == 200
    _save(who, job, "before", "Radio; U0184", 0, "dev_a")
    row = FaultCodes.objects.get(job=job)
    assert (row.before_codes, row.before_by, row.version) == ("Radio; U0184", who, 1)
    status, page = _save(who, job, "after", "U0184\nP0562 low voltage", 1, "dev_b")
    assert status == 200 and "Not there before the work: P0562 low voltage" in page
    assert JobEvent.objects.filter(job=job, code="faultcodes.read").count() == 2

    def caution() -> Any:
        return next((one for one in findings_of(job) if one.rule == "fault-code-new"), None)

    found = caution()
    assert found.severity == "caution" and "P0562 low voltage" in found.title
    give_reason(job.pk, found.fingerprint, "Battery was flat on arrival", who)
    _save(who, job, "after", "U0184\nP0562 low voltage\nB1001", 2, "dev_c")
    assert caution().fingerprint != found.fingerprint, "the reason was for other codes"
    _save(who, job, "after", "none", 3, "dev_d")
    assert caution() is None

    before = draft(load(pk=job.pk))
    shown = [(read["when"], read["codes"]) for read in sheet_values(before)["fault_codes"]]
    assert shown == [("Before", ["Radio; U0184"]), ("After", ["none"])]
    _save(who, job, "after", "", 4, "dev_e")
    row.refresh_from_db()
    assert (row.after_codes, row.after_by, row.after_at) == ("", None, None)
    after = draft(load(pk=job.pk))
    assert any(one["path"][0] == "fault_codes" for one in changes(before, after))
    del after["fault_codes"]
    assert sheet_values(after)["fault_codes"] == [], "a sheet from before there were any"


def test_codes_that_cannot_be_taken_are_told_and_kept_as_typed(job: Job, floor: Workshop) -> None:
    long = "P0301 " + "x" * 160
    status, page = _save(floor.technician, job, "before", f"P0302\n{long}", 0, "dev_a")
    assert status == 422 and "Line 2 is longer than 160" in page and long in page
    status, page = _save(floor.technician, job, "before", "P0301\n" * 61, 0, "dev_b")
    assert status == 422 and "At most 60 lines" in page
    assert not FaultCodes.objects.exclude(before_codes="").exists()
    _save(floor.technician, job, "before", "P0301", 0, "dev_c")
    status, page = _save(floor.manager, job, "before", "P0302", 0, "other_d")
    assert status == 409 and "P0302" in page and "P0301" in page
    Job.objects.filter(pk=job.pk).update(stage="signed_off")
    assert _save(floor.technician, job, "before", "P0303", 1, "dev_e")[0] == 403
    assert FaultCodes.objects.get(job=job).before_codes == "P0301"


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_who_read_at_once_leave_both_readings() -> None:
    floor = Workshop()
    job = floor.job()
    at_once(
        partial(
            save_codes, job.number, "before", {"before_codes": "P0301"},
            actor=floor.technician, version=0, key="a_1",
        ),
        partial(
            save_codes, job.number, "after", {"after_codes": "none"},
            actor=floor.manager, version=0, key="b_1",
        ),
    )  # fmt: skip
    row = FaultCodes.objects.get(job=job)
    assert (row.before_codes, row.after_codes) == ("P0301", "none")
