"""The manager's numbers: what counts where, shares with their counts, each open to its jobs."""

import csv
import io
import math
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from hypothesis import given, strategies as st

from jobs.lifecycle import Stage
from jobs.models import ComebackCause, ComebackFacts, InstallSheet, Job, SendBack, TimeEntry
from jobs.reads.numbers import numbers, open_hours
from shop.bars import Bar, bars, steps_to
from shop.hours import Calendar
from shop.models import OpenHours
from shop.roles import Role
from tests.factories import (
    VehicleFactory,
    VehicleModelFactory,
    make_job,
    make_shop,
    make_staff,
)

MONDAY = datetime(2026, 3, 9, tzinfo=UTC)


def signed(
    at: datetime,
    promised_at: datetime | None = None,
    findings: tuple[str, ...] = (),
    **more: object,
) -> Job:
    """A job whose first sheet was signed at a moment, with findings of these rules."""
    slot = {"starts_at": at - timedelta(hours=3), "ends_at": at - timedelta(hours=1)}
    job = make_job(Stage.READY_FOR_REVIEW, **{**slot, "promised_at": promised_at or at, **more})
    InstallSheet.objects.create(
        job=job,
        revision=1,
        document={
            "findings": [
                {"rule": rule, "title": f"About {rule}", "severity": "caution"} for rule in findings
            ]
        },
        document_sha256="0" * 64,
        pdf=b"%PDF",
        pdf_sha256="0" * 64,
        signed_by=job.booked_by,
        signed_at=at,
    )
    Job.objects.filter(pk=job.pk).update(stage=Stage.COLLECTED, stage_since=at)
    job.refresh_from_db()
    return job


@pytest.mark.django_db
def test_a_job_counts_in_the_week_of_the_shops_own_clock_and_on_time_to_the_minute() -> None:
    shop = make_shop(time_zone="Pacific/Auckland")
    noon = MONDAY + timedelta(hours=12)
    sunday_here = MONDAY - timedelta(hours=14)
    monday_here = MONDAY - timedelta(hours=12)
    on_time, late = signed(noon, noon), signed(noon, noon - timedelta(minutes=1))
    before, same = signed(sunday_here), signed(monday_here)

    found = numbers(shop, date(2026, 3, 11), 13)
    weeks = {week.first_day: week for week in found.weeks}
    assert weeks[date(2026, 3, 9)].jobs == [same.pk, on_time.pk, late.pk]
    assert weeks[date(2026, 3, 2)].jobs == [before.pk]
    assert found.late.jobs == (late.pk,)
    assert found.on_time.share == pytest.approx(3 / 4)
    assert found.on_time.small
    assert (found.first_day, found.last_day) == (date(2025, 12, 15), date(2026, 3, 15))
    later = numbers(shop, date(2026, 7, 1), 13)
    assert later.done.count == 0
    assert later.on_time.share is None


@pytest.mark.django_db
def test_hours_are_of_every_person_against_the_slot_while_the_shop_is_open() -> None:
    shop = make_shop()
    for weekday in range(5):
        OpenHours.objects.create(weekday=weekday, opens_at=time(8), closes_at=time(17))
    friday = MONDAY + timedelta(days=4)
    begins, ends = friday + timedelta(hours=15), friday + timedelta(days=3, hours=9)
    calendar = Calendar(begins.date(), ends.date())
    assert open_hours(begins, ends, calendar) == pytest.approx(3.0)
    assert open_hours(friday, friday + timedelta(hours=8), calendar) == 0

    job = signed(ends + timedelta(hours=2), starts_at=begins, ends_at=ends)
    Job.objects.filter(pk=job.pk).update(stage=Stage.IN_BAY)
    for person in (make_staff(Role.TECHNICIAN), make_staff(Role.TECHNICIAN)):
        TimeEntry.objects.create(
            job=job, technician=person, started_at=begins, ended_at=begins + timedelta(minutes=90)
        )
    found = numbers(shop, ends.date(), 13)
    assert (found.worked_h, found.booked_h) == (pytest.approx(3.0), pytest.approx(3.0))


@pytest.mark.django_db
def test_comebacks_by_model_and_cause_findings_and_send_backs() -> None:
    shop = make_shop()
    now = timezone.now()
    alike = [
        VehicleModelFactory(make="Corvane", model="Lyra", audio_package=audio)
        for audio in ("Six speakers", "Ten speakers")
    ]
    back, stayed = (
        signed(now - timedelta(hours=5), vehicle=VehicleFactory(vehicle_model=model), findings=said)
        for model, said in zip(alike, [("fuse-far", "fuse-far"), ("fuse-far",)], strict=True)
    )
    cause, twin = (ComebackCause.objects.create(name=name) for name in ("Hum", "Hum of the fan"))
    made = make_job(Stage.BOOKED, vehicle=back.vehicle, comeback_of=back)
    ComebackFacts.objects.create(job=made, cause=cause)
    unsaid = make_job(Stage.BOOKED, vehicle=back.vehicle, comeback_of=back)
    gone = make_job(Stage.CANCELLED, vehicle=stayed.vehicle, comeback_of=stayed)
    Job.objects.filter(pk=gone.pk).update(stage=Stage.CANCELLED)
    ComebackFacts.objects.create(job=gone, cause=twin)
    for text, fingerprint in (
        ("Label the wires.", ""),
        ("label  the wires", ""),
        ("Far fuse (R1)", "fuse-far@R1"),
        ("Far fuse (R2)", "fuse-far@R2"),
    ):
        SendBack.objects.create(job=made, reason=text, fingerprint=fingerprint, by=back.booked_by)

    found = numbers(shop, timezone.localdate(), 13)
    assert found.came_back.jobs == (back.pk,)
    (by_model,) = found.came_back_by_model
    assert (by_model.jobs, by_model.of, by_model.key) == ((back.pk,), 1, f"model-{alike[0].pk}")
    assert [(one.label, one.jobs, one.of) for one in found.causes] == [
        ("Hum", (made.pk,), 2),
        ("Nobody has said yet", (unsaid.pk,), 2),
    ]
    (finding,) = found.findings
    assert (finding.count, finding.of, finding.code) == (2, 2, "fuse-far")
    assert {one.label: one.count for one in found.points} == {"Label the wires.": 1, "Far fuse": 1}


@pytest.mark.django_db
def test_every_figure_opens_to_its_jobs_and_the_csv_says_the_same(client: Client) -> None:
    client.force_login(make_staff(Role.MANAGER))
    make_shop()
    at = timezone.now() - timedelta(minutes=1)
    job, other = signed(at, findings=("=1+1",)), signed(at, at - timedelta(hours=1))
    page = client.get(reverse("numbers"))
    assert page.status_code == 200
    found = page.context["found"]
    for key, figure in found.figures.items():
        opened = client.get(reverse("numbers_jobs", args=[key]))
        assert opened.status_code == 200, key
        shown = {one.pk for one in opened.context["page"].object_list}
        assert shown == set(figure.jobs), key
    late = client.get(reverse("numbers_jobs", args=["late"])).content.decode()
    assert f"J{other.number}" in late
    assert f"J{job.number}" not in late
    assert client.get(reverse("numbers_jobs", args=["model-0"])).status_code == 404

    table = client.get(reverse("numbers_csv"), {"weeks": 26}).content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(table)))
    assert len([row for row in rows if row["Group"] == "Week"]) == 26
    (line,) = (row for row in rows if row["What"] == "Signed later than promised")
    assert (line["Jobs"], line["Of"], line["Share %"]) == ("1", "2", "50")


@pytest.mark.django_db
def test_numbers_ask_as_often_however_many_jobs_there_are(
    client: Client,
) -> None:
    client.force_login(make_staff(Role.MANAGER))
    make_shop()
    client.get(reverse("numbers"))  # The first page of a sign-in says that it is used.
    counts = []
    for _ in range(2):
        for _ in range(3):
            signed(timezone.now() - timedelta(minutes=1))
        with CaptureQueriesContext(connection) as asked:
            assert client.get(reverse("numbers")).status_code == 200
        counts.append(len(asked))
    assert counts[0] == counts[1] <= 20


@given(st.floats(min_value=1e-3, max_value=1e6))
def test_a_scale_reaches_its_highest_bar_in_few_round_steps(most: float) -> None:
    step, count = steps_to(most)
    assert step * count >= most * (1 - 1e-9)
    assert step * (count - 1) < most
    assert 1 <= count <= 5
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - round_) for round_ in (1, 2, 5)) < 1e-6


def test_bars_write_nothing_that_is_markup_and_reach_as_high_as_their_value() -> None:
    svg = bars(
        [Bar("<b>", (3, 1), 'a "quoted" <week>', "/x?a=1&b=2"), Bar("n", (0, 0), "none")],
        title="T<",
        stacked=True,
        whole=True,
    )
    assert "<b>" not in svg
    assert "<week>" not in svg
    assert 'href="/x?a=1&amp;b=2"' in svg
    heights = [float(part.partition('"')[0]) for part in svg.split('height="')[1:]]
    assert heights[0] == pytest.approx(3 * heights[1], abs=0.2)
    assert heights[2:] == [0, 0]
