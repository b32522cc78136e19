"""Several people sign the same thing at once: one signature stands, the others are told."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import pytest
from django.db import connections
from django.test import Client

from jobs.lifecycle import Stage
from jobs.models import CheckIn, InstallSheet, Job, JobEvent, SheetReceipt
from jobs.plan.document import findings_of
from jobs.services.check_in import save_check_in
from jobs.sheet import render
from jobs.sheet.sign_off import give_reason
from jobs.views import check_in as check_in_page
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import PASSWORD, make_job, make_staff
from tests.jobs.workshop import Workshop

AT_ONCE = 3

pytestmark = pytest.mark.django_db(transaction=True)


@contextmanager
def together_at(owner: Any, name: str, done: Callable[..., Any]) -> Iterator[None]:
    """Let nobody past a function before all have come to it: each has looked, none has signed."""
    all_here = threading.Barrier(AT_ONCE)

    def wait(*args: Any, **kwargs: Any) -> Any:
        all_here.wait(60)
        return done(*args, **kwargs)

    with patch.object(owner, name, wait):
        yield


def posted(person: StaffMember, url: str, data: dict[str, Any]) -> list[Any]:
    """The answers to one form sent by several at once."""
    clients = [Client(raise_request_exception=False) for _ in range(AT_ONCE)]
    for client in clients:
        client.force_login(person)
    answers: list[Any] = []

    def send(client: Client) -> None:
        try:
            answers.append(client.post(url, data))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=send, args=[client]) for client in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    return answers


def one_stands(answers: list[Any], told: str) -> None:
    assert sorted(answer.status_code for answer in answers) == [302, 422, 422]
    for answer in answers:
        assert answer.status_code == 302 or told in answer.content.decode()


def a_pdf(*args: Any) -> bytes:
    return b"%PDF-1.7"


def test_sign_off() -> None:
    workshop = Workshop()
    job = workshop.ready()
    for finding in findings_of(job):
        if finding.severity == "caution":
            give_reason(job.pk, finding.fingerprint, "Accepted", workshop.manager)
    with together_at(render, "signed_pdf", a_pdf):
        answers = posted(
            workshop.manager, f"/jobs/{job.number}/review/sign/", {"password": PASSWORD}
        )
    one_stands(answers, f"{job} is signed off now")
    assert InstallSheet.objects.filter(job=job).count() == 1
    assert JobEvent.objects.filter(job=job, code__in=["job.sign_off", "sheet.signed"]).count() == 2


def test_hand_over() -> None:
    workshop = Workshop()
    with patch.object(render, "signed_pdf", a_pdf):
        job = workshop.sign(workshop.ready()).job
    typed = {"signature_name": "Ines Halloran", "signature": ""}
    with together_at(render, "signed_pdf", a_pdf):
        answers = posted(workshop.manager, f"/jobs/{job.number}/collect/", typed)
    one_stands(answers, "has signed this sheet already")
    assert SheetReceipt.objects.filter(sheet__job=job).count() == 1
    assert Job.objects.get(pk=job.pk).stage == Stage.COLLECTED


def test_check_in() -> None:
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(actor=desk)
    condition = {
        "odometer": 48_210,
        "odometer_unit": "km",
        "energy_percent": 60,
        "keys_count": 1,
        "keys_note": "",
        "valuables": "",
        "customer_report": "A hum",
    }
    saved = save_check_in(job.pk, condition, [], version=0, actor=desk)
    typed = {**condition, "do": "sign", "version": saved.version, "signature_name": "Ines Halloran"}
    with together_at(check_in_page, "sign_check_in", check_in_page.sign_check_in):
        answers = posted(desk, f"/jobs/{job.number}/check-in/", typed)
    one_stands(answers, "has signed this condition already")
    check_in = CheckIn.objects.get(job=job)
    assert (check_in.signed_name, check_in.version) == ("Ines Halloran", saved.version + 1)
    assert JobEvent.objects.filter(job=job, code="check_in.signed").count() == 1


def test_a_signature_that_comes_too_late_is_told_so() -> None:
    workshop = Workshop()
    with patch.object(render, "signed_pdf", a_pdf):
        job = workshop.sign(workshop.ready()).job
        client = Client()
        client.force_login(workshop.manager)
        assert (
            client.post(f"/jobs/{job.number}/review/sign/", {"password": PASSWORD}).status_code
            == 422
        )
        url, typed = f"/jobs/{job.number}/collect/", {"signature_name": "Ines", "signature": ""}
        assert client.post(url, typed).status_code == 302
        late = client.post(url, typed)
    assert late.status_code == 409
    assert "you just sent was not kept" in late.content.decode()
    late = client.post(f"/jobs/{job.number}/check-in/", {"do": "sign", "signature_name": "Ines"})
    assert late.status_code == 409
    assert "you just sent was not kept" in late.content.decode()
    assert SheetReceipt.objects.filter(sheet__job=job).count() == 1
