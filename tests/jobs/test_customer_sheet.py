"""The customer's page says what the signed record says, and nothing that is the workshop's own."""

import io
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job
from jobs.services.comebacks import warranty_of
from jobs.sheet import render
from jobs.sheet.customer import customer_values
from jobs.sheet.sign_off import collect_job
from tests.factories import make_shop
from tests.jobs.test_sheet_pdf import words
from tests.jobs.workshop import Workshop

pytestmark = [pytest.mark.django_db, pytest.mark.once]

INTERNAL = ("from memory", "common practice", "SHA-256", "no source", "not recorded", "STOP")


@pytest.fixture
def workshop() -> Workshop:
    make_shop(name="Lantern Lane Sound", units="metric", time_zone="America/Chicago")
    return Workshop()


@pytest.fixture
def sheet(workshop: Workshop) -> InstallSheet:
    return workshop.sign(workshop.ready())


def _values(sheet: InstallSheet) -> dict[str, Any]:
    return customer_values(sheet.document, None, {})


@pytest.mark.paper
def test_it_says_what_the_record_says_on_two_pages_at_most(sheet: InstallSheet) -> None:
    pdf = render.customer_pdf(sheet.document)
    text = words(pdf)
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 2
    job = sheet.job
    assert sheet.number in text
    for said in (job.customer.name, job.vehicle.plate, job.wants, "Lantern Lane Sound"):
        assert said in text
    for part in job.parts.all():
        assert str(part.product) in text
        assert part.serial in text
    assert "Reviewed and signed, manager" in text
    assert [one for one in INTERNAL if one in text] == []
    whole = words(bytes(sheet.pdf))
    assert [one for one in INTERNAL if one in whole], (
        "the install sheet has what this one leaves out"
    )


def test_two_equal_parts_are_one_line_with_both_numbers(sheet: InstallSheet) -> None:
    document = sheet.document
    first = next(one for one in document["parts"] if one["kind"] == "amplifier")
    document["parts"] = [
        {**first, "label": "A1", "serial": "WF-1"},
        {**first, "label": "A2", "serial": "WF-2"},
        {**first, "label": "A3", "serial": "WF-3", "product_id": 10**6, "product": "Wren Two"},
    ]
    assert [(one["quantity"], one["serials"]) for one in _values(sheet)["parts"]] == [
        (2, "WF-1, WF-2"),
        (1, "WF-3"),
    ]


def test_each_function_is_told_by_what_became_of_it(sheet: InstallSheet) -> None:
    became = (
        ("Chime", "works", "works"),
        ("Horn", "fault", "works"),
        ("Radio", "fault", "fault"),
        ("Prompts", "works", "fault"),
        ("Parking sounds", "works", "works"),
        ("Bluetooth", "not_fitted", "not_fitted"),
    )
    row = sheet.document["function_checks"][0]
    sheet.document["function_checks"] = [
        {
            **row,
            "name": name,
            "before": before,
            "after": after,
            "after_note": "told at hand-over",
            "lost": before == "works" and after == "fault",
        }
        for name, before, after in became
    ]
    assert _values(sheet)["functions"] == {
        "as_before": ["Chime", "Parking sounds"],
        "now": "Horn",
        "neither": "Radio",
        "lost": [{"name": "Prompts", "note": "told at hand-over"}],
    }


def test_each_added_fuse_is_said_with_what_it_feeds(sheet: InstallSheet) -> None:
    fuses = _values(sheet)["fuses"]
    ends = {one["id"]: one for one in sheet.document["plan"]["runs"] if one.get("fuse")}
    assert len(fuses) == len(ends) > 0
    for said, run in zip(fuses, ends.values(), strict=True):
        assert f"{run['fuse']['rating_a']:g}\u00a0A" in said
    names = {one["id"]: one["name"] for one in sheet.document["plan"]["devices"]}
    assert all(mark not in said.split() for said in fuses for mark in names)
    assert any(name in said for said in fuses for name in names.values())


def test_it_carries_the_customers_signature_and_is_given_to_any_staff(
    workshop: Workshop, sheet: InstallSheet, client: Client
) -> None:
    collect_job(sheet.job_id, workshop.manager, "ODA BRENNICK")
    client.force_login(workshop.technician)
    address = reverse("customer_sheet_pdf", args=[sheet.job.number, sheet.revision])
    answer = client.get(address)
    assert answer["Content-Type"] == "application/pdf"
    assert "ODA BRENNICK" in words(answer.content)
    page = client.get(reverse("sheet", args=[sheet.job.number, sheet.revision])).content.decode()
    assert address in page
    assert Job.objects.get(pk=sheet.job_id).stage == "collected"


def test_without_the_shops_key_it_says_so(
    workshop: Workshop, sheet: InstallSheet, client: Client, data_folder: Path
) -> None:
    (data_folder / "signing.pem").unlink()
    client.force_login(workshop.technician)
    answer = client.get(reverse("customer_sheet_pdf", args=[sheet.job.number, sheet.revision]))
    assert answer.status_code == 409
    assert "signing key is missing or damaged" in answer.content.decode()


def test_the_warranty_is_what_was_signed_whatever_the_shop_promises_later(
    workshop: Workshop,
) -> None:
    shop = make_shop(work_warranty_months=24, parts_warranty_months=None)
    sheet = workshop.sign(workshop.ready())
    shop.work_warranty_months, shop.parts_warranty_months = 6, 6
    shop.save()
    before = customer_values(sheet.document, None, {})["warranty"]
    assert before == ["Warranty of the work: 24 months from the day of the hand-over."]
    # Nearly midnight in Chicago, the next day already by the world's clock.
    receipt = {"name": "Ines", "image": "", "at": "2026-02-01T05:30:00+00:00"}
    after = customer_values(sheet.document, receipt | {"handed_over_by": "Maud"}, {})["warranty"]
    assert after == ["Warranty of the work: until 31 Jan 2028, 24 months from the hand-over."]
    Job.objects.filter(pk=sheet.job_id).update(stage=Stage.COLLECTED)
    standing = warranty_of(Job.objects.get(pk=sheet.job_id), date(2027, 1, 1), shop)
    assert [one.of for one in standing.promises] == ["Work"]


def test_a_sheet_from_before_warranties_were_frozen_says_nothing_of_them(
    sheet: InstallSheet,
) -> None:
    del sheet.document["shop"]["warranty_months"]
    assert _values(sheet)["warranty"] == []
