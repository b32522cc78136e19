"""The demo shop: alive, complete, invented, and never laid over a shop's own data."""

from collections import Counter
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from deploy.demo.vehicles import VEHICLES
from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job, SavedSetup
from jobs.plan.document import findings_of
from shop.models import Bay, Product, StaffMember, Vehicle
from shop.vin import examine
from tests.factories import VehicleFactory

WANTED_STAGES = {
    Stage.BOOKED: 4,
    Stage.CHECKED_IN: 3,
    Stage.IN_BAY: 2,
    Stage.READY_FOR_REVIEW: 2,
    Stage.SIGNED_OFF: 2,
    Stage.COLLECTED: 3,
    Stage.ON_HOLD: 2,
    Stage.CANCELLED: 2,
}


def _job(plate: str, stage: str) -> Job:
    return Job.objects.get(vehicle__plate=plate, stage=stage)


def _print_logins() -> str:
    out = StringIO()
    call_command("load_demo", print_logins=True, stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_the_demo_shop_shows_every_side_of_the_product() -> None:
    call_command("load_demo", stdout=StringIO())

    assert Counter(Job.objects.values_list("stage", flat=True)) == WANTED_STAGES
    assert StaffMember.objects.count() == 5
    assert Bay.objects.count() == 2
    assert Vehicle.objects.count() == 12
    assert 22 <= Product.objects.count() <= 32
    assert any(job.is_late for job in Job.objects.on_the_board())
    assert Job.objects.filter(comeback_of__isnull=False).count() == 1
    assert not Job.objects.filter(events__at__gt=timezone.now()).exists()

    full = _job("HRN 4217", Stage.READY_FOR_REVIEW)
    assert {finding.severity for finding in findings_of(full)} <= {"note"}
    assert full.channels.filter(kind="amplifier", speakers__isnull=False).count() == 7
    assert set(full.parts.filter(label__startswith="A").values_list("turn_on", flat=True)) == {
        "interface_module"
    }

    faults = _job("FLD 5520", Stage.IN_BAY)
    assert sorted(finding.rule for finding in findings_of(faults)) == [
        "driver-high-pass",
        "fuse-over-conductor",
        "load-under-minimum",
        "sides-crossed",
        "speaker-without-channel",
    ]

    lost = _job("OAK 0467", Stage.READY_FOR_REVIEW)
    stops = [finding.rule for finding in findings_of(lost) if finding.severity == "stop"]
    assert stops == ["function-lost"]

    sheets = list(InstallSheet.objects.all())
    assert len(sheets) == 5
    assert all(bytes(sheet.pdf).startswith(b"%PDF") for sheet in sheets)
    assert InstallSheet.objects.filter(receipt__isnull=False).count() == 3
    setup = SavedSetup.objects.get(state="approved")
    assert SavedSetup.objects.filter(state="draft").count() == 1
    assert _job("LKD 2604", Stage.BOOKED).vehicle.vehicle_model == setup.vehicle_model

    before = Job.objects.count()
    call_command("load_demo", if_empty=True)
    assert Job.objects.count() == before
    logins = _print_logins()
    assert all(one.username in logins for one in StaffMember.objects.all())
    changed = StaffMember.objects.get(username="maud")
    changed.set_password("another-password-1")
    changed.save()
    assert "maud" not in _print_logins()


@pytest.mark.django_db
def test_it_is_never_laid_over_data() -> None:
    VehicleFactory()
    with pytest.raises(CommandError, match="data here already"):
        call_command("load_demo")
    call_command("load_demo", if_empty=True)
    assert not StaffMember.objects.filter(username="maud").exists()
    assert _print_logins() == ""


def test_one_car_alone_has_a_number_with_a_wrong_check_digit() -> None:
    odd = [car for car in VEHICLES if examine(car.vin).needs_confirmation]
    assert [car.vin_odd for car in odd] == [True]
    for car in VEHICLES:
        assert car.year in examine(car.vin).model_years
