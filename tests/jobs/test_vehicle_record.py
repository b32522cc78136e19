"""The page of a vehicle: the sheets that stand, and how its own readings went over the visits."""

from datetime import UTC, datetime
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job
from jobs.reads.vehicle_record import record_of
from shop.models import Vehicle
from shop.roles import Role
from tests.factories import VehicleFactory, make_job, make_shop, make_staff

pytestmark = pytest.mark.django_db


def reading(
    before: float | None,
    after: float | None,
    label: str = "Battery at rest",
    kind: str = "battery_rest",
) -> dict[str, Any]:
    return {
        "kind": kind,
        "about": "",
        "label": label,
        "unit": "V",
        "before_value": before,
        "after_value": after,
    }


def signed(job: Job, year: int, *readings: dict[str, Any], revision: int = 1) -> InstallSheet:
    """A sheet that says these readings, signed on New Year's Eve by the world's clock."""
    document = {
        "parts": [{"product": "Weir Four"}, {"product": "Weir Four"}, {"product": "Finch 25"}],
        "check_in": {"odometer": 40_000 + year, "odometer_unit": "km"},
        "readings": list(readings),
    }
    return InstallSheet.objects.create(
        job=job,
        revision=revision,
        document=document,
        document_sha256=f"{job.number}-{revision}",
        pdf=b"%PDF",
        pdf_sha256=f"{job.number}-{revision}",
        signed_by=make_staff(Role.MANAGER),
        signed_at=datetime(year, 12, 31, 13, tzinfo=UTC),
    )


@pytest.fixture
def car() -> Vehicle:
    make_shop(time_zone="Pacific/Auckland")
    vehicle: Vehicle = VehicleFactory()
    return vehicle


def visit(car: Vehicle) -> Job:
    return make_job(Stage.READY_FOR_REVIEW, vehicle=car)


def test_of_each_visit_the_sheet_that_stands_the_newest_first(car: Vehicle) -> None:
    first, second, twin = visit(car), visit(car), make_job(Stage.READY_FOR_REVIEW)
    signed(first, 2023, reading(12.6, 12.5))
    signed(first, 2024, reading(12.6, 12.4), revision=2)
    signed(second, 2025, reading(12.5, 12.3))
    signed(twin, 2025, reading(11.0, 11.0))
    visits, (trend,) = record_of(car)
    assert [one.number for one in visits] == [f"J{second.number}-1", f"J{first.number}-2"]
    assert visits[1].replaced == [(f"J{first.number}-1", 1)]
    assert visits[0].fitted == ["Weir Four", "Finch 25"]
    said = [(row.number, row.before, row.after) for row in trend.rows]
    assert said == [
        (f"J{first.number}-2", "12.6\u00a0V", "12.4\u00a0V"),
        (f"J{second.number}-1", "12.5\u00a0V", "12.3\u00a0V"),
    ]


def test_a_trend_is_of_the_car_itself_over_two_visits(car: Vehicle) -> None:
    first, second = visit(car), visit(car)
    signed(
        first,
        2023,
        reading(12.6, None),
        reading(1.0, 1.0, "Voltage at A1 under load", "amplifier_loaded"),
        reading(0.02, None, "Once"),
        reading(1.0, 1.0, "Twice on one visit"),
        reading(1.1, 1.1, "Twice on one visit"),
    )
    signed(
        second,
        2025,
        reading(None, 12.2),
        reading(2.0, 2.0, "Voltage at A1 under load", "amplifier_loaded"),
        reading(None, None, "Once"),
    )
    (trend,) = record_of(car).trends
    assert [(row.before, row.after) for row in trend.rows] == [
        ("12.6\u00a0V", ""),
        ("", "12.2\u00a0V"),
    ]
    assert trend.points == "5,5 235,43", "from the highest, first, to the lowest, last"


def test_readings_that_never_changed_are_a_level_line(car: Vehicle) -> None:
    for year in (2023, 2024, 2025):
        signed(visit(car), year, reading(12.5, 12.5))
    (trend,) = record_of(car).trends
    assert {point.split(",")[1] for point in trend.points.split()} == {"24"}


def test_the_page_shows_both_in_few_queries(
    car: Vehicle, django_assert_max_num_queries: Any
) -> None:
    for year in range(2016, 2026):
        signed(visit(car), year, reading(12.5, 12.4))
    client = Client()
    client.force_login(make_staff(Role.TECHNICIAN))
    with django_assert_max_num_queries(11):
        page = client.get(reverse("vehicle", args=[car.pk])).content.decode()
    assert page.count("12.4\u00a0V") > 10
    assert "Readings over the visits" in page
    assert "1 Jan 2026" in page, "the days of the shop"
    bare = client.get(reverse("vehicle", args=[VehicleFactory().pk])).content.decode()
    assert "Signed sheets" not in bare
