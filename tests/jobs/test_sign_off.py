"""Sign-off freezes evidence; what is signed stays; a correction is a new revision."""

from typing import Any

import pytest
from django.test import Client

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import FunctionCheck, InstallSheet, Job, SendBack, SheetReceipt
from jobs.plan.document import findings_of, plan_of
from jobs.services.moves import move
from jobs.services.send_backs import send_back
from jobs.sheet import document as sheet_document, render
from jobs.sheet.sign_off import collect_job, give_reason, sign_off_job
from jobs.views.review import finding_key
from tests.factories import PASSWORD
from tests.jobs.workshop import Workshop
from wiring.plan import from_builtins

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def cautions(job: Job) -> list[Any]:
    return [finding for finding in findings_of(job) if finding.severity == "caution"]


def test_signing_freezes_what_the_job_says(workshop: Workshop) -> None:
    job = workshop.ready()
    sheet = workshop.sign(job)
    job.refresh_from_db()
    stored = InstallSheet.objects.get(pk=sheet.pk)
    assert job.stage == Stage.SIGNED_OFF
    assert stored.number == f"J{job.number}-1"
    assert sheet_document.sha256_of(stored.document) == stored.document_sha256
    assert from_builtins(stored.document["plan"]) == plan_of(job)
    assert [one["reason"] for one in stored.document["findings"] if one["severity"] == "caution"]
    part = stored.document["parts"][0]
    assert (part["label"], part["serial"]) == ("A1", "WF-20418")
    assert stored.document["signatures"]["work"]["people"] == [workshop.technician.name]
    assert stored.document["signatures"]["manager"]["name"] == workshop.manager.name


def test_a_later_change_does_not_show_on_a_signed_sheet(workshop: Workshop, client: Client) -> None:
    sheet = workshop.sign(workshop.ready())
    name = sheet.job.customer.name
    type(sheet.job.customer).objects.update(name="Somebody Else")
    type(workshop.amplifier).objects.update(name="Renamed")
    client.force_login(workshop.technician)
    page = client.get(f"/sheets/{sheet.job.number}-1/").content.decode()
    assert name in page
    assert "Weir Four" in page
    assert "Renamed" not in page
    assert "Unchanged since it was signed" in page


def test_every_caution_needs_a_reason(workshop: Workshop) -> None:
    job = workshop.ready()
    [caution] = cautions(job)
    with pytest.raises(Refused, match="Give a reason"):
        sign_off_job(job.pk, workshop.manager)
    give_reason(job.pk, caution.fingerprint, "The module wakes it", workshop.technician)
    give_reason(job.pk, caution.fingerprint, "", workshop.manager)
    with pytest.raises(Refused, match="Give a reason"):
        sign_off_job(job.pk, workshop.manager)
    assert not job.sheets.exists()


def test_a_stop_cannot_be_signed_over(workshop: Workshop) -> None:
    job = workshop.ready()
    lost = job.function_checks.first()
    assert lost is not None
    FunctionCheck.objects.filter(pk=lost.pk).update(after="fault")
    stop = next(one for one in findings_of(job) if one.severity == "stop")
    with pytest.raises(Refused, match="cannot be signed over"):
        give_reason(job.pk, stop.fingerprint, "The customer does not mind", workshop.manager)
    job.finding_reasons.create(
        fingerprint=stop.fingerprint, reason="Slipped past the form", by=workshop.manager
    )
    with pytest.raises(Refused, match="worked before and does not now"):
        workshop.sign(job)
    assert not job.sheets.exists()


def test_only_signing_reaches_signed_off(workshop: Workshop) -> None:
    job = workshop.ready()
    for caution in cautions(job):
        give_reason(job.pk, caution.fingerprint, "Accepted", workshop.manager)
    with pytest.raises(Refused, match="review page"):
        move(job.pk, "sign_off", workshop.manager)
    with pytest.raises(Refused, match="not for your role"):
        sign_off_job(job.pk, workshop.technician)


def test_a_change_while_the_sheet_is_made_stops_the_signature(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = workshop.ready()
    real = render.signed_pdf

    def slow(document: Any, receipt: Any = None) -> bytes:
        job.notes.create(text="Written meanwhile", by=workshop.technician)
        return real(document, receipt)

    monkeypatch.setattr(render, "signed_pdf", slow)
    with pytest.raises(ChangedMeanwhile):
        workshop.sign(job)
    job.refresh_from_db()
    assert job.stage == Stage.READY_FOR_REVIEW
    assert not job.sheets.exists()


def test_a_correction_is_a_new_revision_that_names_the_old(workshop: Workshop) -> None:
    job = workshop.ready()
    first = workshop.sign(job)
    before = bytes(first.pdf)
    move(job.pk, "correct", workshop.manager, "Serial number was misread")
    job.parts.filter(label="A1").update(serial="WF-20481")
    move(job.pk, "hand_correction", workshop.technician)
    second = workshop.sign(job)
    assert (second.revision, second.corrects) == (2, first)
    assert second.document["sheet"]["corrects"] == first.number
    assert second.correction_reason == "Serial number was misread"
    assert second.document["parts"][0]["serial"] == "WF-20481"
    first.refresh_from_db()
    assert first.document["parts"][0]["serial"] == "WF-20418"
    assert bytes(first.pdf) == before


def test_the_customer_signs_once_and_no_pdf_is_made_again(
    workshop: Workshop, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = workshop.ready()
    sheet = workshop.sign(job)
    with pytest.raises(Refused, match="has not signed"):
        move(job.pk, "collect", workshop.desk)
    receipt = collect_job(job.pk, workshop.desk, "TESSA ROWAN")
    job.refresh_from_db()
    assert job.stage == Stage.COLLECTED
    with pytest.raises(Refused):
        collect_job(job.pk, workshop.desk, "TESSA ROWAN")
    assert SheetReceipt.objects.filter(sheet=sheet).count() == 1

    def never(*_: Any) -> bytes:
        raise AssertionError("a signed sheet was rendered again")

    monkeypatch.setattr(render, "write_pdf", never)
    client.force_login(workshop.technician)
    url = f"/sheets/{job.number}-1/pdf/"
    assert client.get(url).content == bytes(receipt.pdf)
    assert client.get(url, {"without": "customer"}).content == bytes(sheet.pdf)


def test_reason_from_the_review_page(workshop: Workshop, client: Client) -> None:
    job = workshop.ready()
    [caution] = cautions(job)
    client.force_login(workshop.manager)
    review = f"/jobs/{job.number}/review/"
    assert "1 caution" in client.get(review).content.decode()
    url = f"{review}reasons/{finding_key(caution.fingerprint)}/"
    posted = {"reason": "The module wakes it", "key": "k-1"}
    answer = client.post(url, posted, headers={"HX-Request": "true"}).content.decode()
    assert "The module wakes it" in answer
    assert "Sign off" in answer
    client.post(url, {**posted, "reason": "sent again"}, headers={"HX-Request": "true"})
    assert job.finding_reasons.get().reason == "The module wakes it"
    assert client.post(f"{review}sign/", {"password": PASSWORD}).status_code == 302
    assert client.get(f"/sheets/{job.number}-1/").status_code == 200


def test_a_point_made_from_a_finding_is_ticked_once_the_finding_is_gone(
    workshop: Workshop, client: Client
) -> None:
    job = workshop.ready()
    lost, also_lost = job.function_checks.all()[:2]
    job.function_checks.filter(pk__in=[lost.pk, also_lost.pk]).update(after="fault")
    [caution] = cautions(job)
    client.force_login(workshop.manager)
    review = f"/jobs/{job.number}/review/"
    form = client.get(review).context["send_back_form"]
    stops = form["findings"].value()
    assert len(stops) == 2 and len(form.fields["findings"].choices) == 3
    chosen = [*stops, finding_key(caution.fingerprint)]
    posted = {"findings": chosen, "reason": "Label the sill plug"}
    assert client.post(f"{review}send-back/", posted).status_code == 302
    first, second, cautious, typed = job.send_backs.all()
    assert lost.name in first.reason and also_lost.name in second.reason
    assert (typed.reason, typed.fingerprint) == ("Label the sill plug", "")

    client.force_login(workshop.technician)

    def tick(point: SendBack) -> tuple[int, str]:
        url = f"/jobs/{job.number}/bay/sent-back/{point.pk}/"
        answer = client.post(url, {"done": "1"}, headers={"HX-Request": "true"})
        point.refresh_from_db()
        return answer.status_code, answer.content.decode()

    for point in (first, second, cautious):
        status, html = tick(point)
        assert status == 422 and "still stands" in html and "Mark done" in html
        assert point.done_at is None and point.done_by is None
    assert not job.events.filter(code="sendback.done").exists()

    job.function_checks.filter(pk=lost.pk).update(after="works")
    give_reason(job.pk, caution.fingerprint, "The module wakes it", workshop.technician)
    for point in (first, cautious, typed):
        assert tick(point)[0] == 200 and point.done_by == workshop.technician
    assert tick(second)[0] == 422 and second.done_at is None


def test_a_finding_put_right_meanwhile_is_not_sent_back(workshop: Workshop, client: Client) -> None:
    job = workshop.ready()
    lost = job.function_checks.all()[0]
    job.function_checks.filter(pk=lost.pk).update(after="fault")
    stop = next(one for one in findings_of(job) if one.severity == "stop")
    client.force_login(workshop.manager)
    url = f"/jobs/{job.number}/review/send-back/"
    job.function_checks.filter(pk=lost.pk).update(after="works")
    posted = {"findings": [finding_key(stop.fingerprint)], "reason": "Label the sill plug"}
    refused = client.post(url, posted)
    assert refused.status_code == 422
    assert "no longer stands" in refused.content.decode()
    assert "Label the sill plug" in refused.content.decode()
    with pytest.raises(ChangedMeanwhile, match="no longer stands"):
        send_back(job.pk, workshop.manager, "Label the sill plug", [stop.fingerprint])
    job.refresh_from_db()
    assert job.stage == Stage.READY_FOR_REVIEW and not job.send_backs.exists()


def test_what_was_typed_to_send_back_is_kept(workshop: Workshop, client: Client) -> None:
    job = workshop.ready()
    client.force_login(workshop.manager)
    url = f"/jobs/{job.number}/review/send-back/"
    assert client.post(url, {"reason": " "}).status_code == 422
    move(job.pk, "recall", workshop.technician)
    refused = client.post(url, {"reason": "Label the sill plug"})
    assert refused.status_code == 422
    assert "Label the sill plug" in refused.content.decode()
