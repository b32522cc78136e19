"""Customers as records: merged, taken back, found double, told, erased; jobs change hands."""

import io
import json
import re
import zipfile

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job, TimeEntry
from jobs.services.booking import People, change_people
from jobs.services.check_in import save_check_in
from jobs.services.customers import data_of, erase, export, known_as, merge, unmerge
from jobs.services.desk import note_said, save_desk
from jobs.services.staff import hand_over
from shop.models import Customer, ShopEvent, StaffMember
from shop.roles import Role
from tests.factories import CustomerFactory, VehicleFactory, make_job, make_shop, make_staff


@pytest.fixture
def manager(db: None) -> StaffMember:
    make_shop()
    return make_staff(Role.MANAGER, Role.FRONT_DESK)


def signed_job(customer: Customer) -> Job:
    """A collected job with its sheet, of a car of the customer."""
    job = make_job(Stage.READY_FOR_REVIEW, vehicle=VehicleFactory(owner=customer))
    InstallSheet.objects.create(
        job=job,
        revision=1,
        document={"customer": {"name": customer.name}},
        document_sha256="0" * 64,
        pdf=b"%PDF-1.7 " + customer.name.encode(),
        pdf_sha256="0" * 64,
        signed_by=job.booked_by,
        signed_at=timezone.now(),
    )
    Job.objects.filter(pk=job.pk).update(stage=Stage.COLLECTED)
    job.refresh_from_db()
    return job


def test_two_equal_records_become_one_and_what_was_signed_stays(
    manager: StaffMember, client: Client
) -> None:
    kept, other, third = (CustomerFactory(name="Ada Oak") for _ in range(3))
    Customer.objects.filter(pk=kept.pk).update(email="")
    signed = signed_job(other)
    row_before = Job.objects.filter(pk=signed.pk).values().get()
    live = make_job(Stage.IN_BAY, vehicle=VehicleFactory(owner=other))
    thirds = make_job(Stage.BOOKED, vehicle=VehicleFactory(owner=third))

    merge(kept.pk, other.pk, manager)
    assert Job.objects.get(pk=live.pk).customer == kept
    assert {live.vehicle_id, signed.vehicle_id} <= set(kept.vehicles.values_list("pk", flat=True))
    assert Job.objects.filter(pk=signed.pk).values().get() == row_before
    assert Job.objects.get(pk=thirds.pk).customer == third
    kept.refresh_from_db()
    assert kept.email == other.email
    assert set(Customer.objects.listed("Ada Oak")) == {kept, third}
    client.force_login(manager)
    page = client.get(reverse("customer", args=[kept.pk])).content.decode()
    assert f"J{signed.number}" in page
    assert f"J{live.number}" in page
    assert f"J{thirds.number}" not in page


def test_a_merge_is_taken_back_but_for_what_was_given_away_since(manager: StaffMember) -> None:
    kept, other, third = (CustomerFactory(name="Ada Oak") for _ in range(3))
    jobs = [make_job(Stage.BOOKED, vehicle=VehicleFactory(owner=other)) for _ in range(3)]
    own = make_job(Stage.BOOKED, vehicle=VehicleFactory(owner=kept))
    merge(kept.pk, other.pk, manager)
    given = Job.objects.get(pk=jobs[1].pk)
    given.customer = third
    given.save(update_fields=["customer"])
    Job.objects.filter(pk=jobs[2].pk).update(stage=Stage.SIGNED_OFF)

    unmerge(other.pk, manager)
    now = {job.pk: Job.objects.get(pk=job.pk).customer for job in (*jobs, own)}
    assert list(now.values()) == [other, third, kept, kept]
    assert Customer.objects.get(pk=other.pk).merged_into is None
    with pytest.raises(Refused, match="not merged"):
        unmerge(other.pk, manager)


def test_a_chain_of_merges_is_undone_link_by_link(manager: StaffMember) -> None:
    first, second, third = (CustomerFactory() for _ in range(3))
    job = make_job(Stage.BOOKED, vehicle=VehicleFactory(owner=first))
    merge(second.pk, first.pk, manager)
    merge(third.pk, second.pk, manager)
    assert Customer.objects.get(pk=first.pk).merged_into == third
    unmerge(second.pk, manager)
    assert Customer.objects.get(pk=first.pk).merged_into == second
    assert Job.objects.get(pk=job.pk).customer == second
    unmerge(first.pk, manager)
    assert Job.objects.get(pk=job.pk).customer == first


def test_what_cannot_be_merged_is_refused(manager: StaffMember) -> None:
    kept, other, gone = (CustomerFactory() for _ in range(3))
    with pytest.raises(Refused, match="same record"):
        merge(kept.pk, kept.pk, manager)
    merge(kept.pk, other.pk, manager)
    for pair in ((other.pk, gone.pk), (gone.pk, other.pk)):
        with pytest.raises(Refused, match="merged into another"):
            merge(*pair, manager)
    erase(gone.pk, manager)
    with pytest.raises(Refused, match="erased"):
        merge(kept.pk, gone.pk, manager)
    with pytest.raises(Refused, match="no longer in the book"):
        merge(kept.pk, 0, manager)


@pytest.mark.parametrize("typed", ["0161 496 0123", "+44 161 4960123", "(0161) 496-0123"])
def test_a_double_is_found_while_typing_in_any_format(
    manager: StaffMember, client: Client, typed: str
) -> None:
    same = CustomerFactory(
        name="Xenia Marrow", phone="+44 161 496 0123", phone_digits="441614960123"
    )
    near = CustomerFactory(name="Leocadia Fennimoor")
    CustomerFactory(name="Piotr Aldwin", phone="0161 496 0124", phone_digits="01614960124")
    assert known_as("Bo", typed) == [same]
    assert known_as("Leokadia Fenimoor", "") == [near]
    assert known_as("", "0161") == []
    client.force_login(manager)
    asked = {"customer-name": "Leokadia Fenimoor", "customer-phone": typed}
    page = client.get(reverse("customers_known"), asked).content.decode()
    assert page.index(same.name) < page.index(near.name)
    assert f"customer={same.pk}" in page
    merge(near.pk, same.pk, manager)
    assert known_as("", typed) == []


def test_ones_data_is_told_with_every_signed_sheet_and_nobody_elses(manager: StaffMember) -> None:
    one, other = CustomerFactory(name="Ada Oak"), CustomerFactory(name="Ada Oak")
    mine, theirs = signed_job(one), signed_job(other)
    note_said(mine.number, "call", "Call after five.", actor=manager)
    with zipfile.ZipFile(io.BytesIO(export(one))) as archive:
        names = set(archive.namelist())
        told = json.loads(archive.read("customer.json"))
    assert names == {"customer.json", f"sheets/J{mine.number}-1.pdf"}
    assert [job["number"] for job in told["jobs"]] == [mine.number]
    assert told["jobs"][0]["said"][0]["text"] == "Call after five."
    assert theirs.vehicle.plate not in json.dumps(told)
    assert told["records"][0]["phone"] == one.phone


def test_erasing_takes_the_data_and_leaves_what_was_signed(manager: StaffMember) -> None:
    customer = CustomerFactory(name="Ada Oak", address="3 Ferry Steps", note="Dog in the car")
    twin = CustomerFactory(name="Ada M. Oak")
    merge(customer.pk, twin.pk, manager)
    job = signed_job(customer)
    save_desk(job.number, {"reach": "Her office"}, actor=manager, version=0)
    sheet = InstallSheet.objects.get(job=job)
    live = make_job(Stage.BOOKED, vehicle=job.vehicle, customer=customer)
    with pytest.raises(Refused, match=f"J{live.number}"):
        erase(customer.pk, manager)
    assert Customer.objects.get(pk=customer.pk).name == "Ada Oak"

    Job.objects.filter(pk=live.pk).update(stage=Stage.CANCELLED)
    erase(customer.pk, manager)
    erased = Customer.objects.get(pk=customer.pk)
    assert not {"Ada", "Ferry", "Dog", customer.phone} & set(
        str(vars(erased)).replace("'", " ").split()
    )
    assert (erased.phone_digits, erased.email, erased.address) == ("", "", "")
    assert "Ada" not in Customer.objects.get(pk=twin.pk).name
    assert "Her office" not in json.dumps(data_of(erased))
    after = InstallSheet.objects.get(pk=sheet.pk)
    assert (after.document, bytes(after.pdf)) == (sheet.document, bytes(sheet.pdf))
    event = ShopEvent.objects.filter(code="customer.erased").first()
    assert event is not None
    assert "Ada" not in f"{event.name} {event.before} {event.after}"


def test_a_booking_goes_to_another_customer_and_another_car(manager: StaffMember) -> None:
    job = make_job(Stage.BOOKED)
    first = list(job.function_checks.values_list("pk", flat=True))
    other = VehicleFactory(vehicle_model__powertrain="electric")
    people = People(customer=other.owner, vehicle=other)
    changed = change_people(job.pk, people, version=job.version, actor=manager)
    assert (changed.customer, changed.vehicle) == (other.owner, other)
    assert not job.function_checks.filter(pk__in=first).exists()
    own = make_job(vehicle=other).function_checks.count()
    assert job.function_checks.count() == own > len(first)
    with pytest.raises(ChangedMeanwhile):
        change_people(job.pk, people, version=job.version, actor=manager)


def test_another_car_is_refused_once_the_first_stands_in_the_record(manager: StaffMember) -> None:
    other = VehicleFactory()
    in_bay = make_job(Stage.IN_BAY)
    people = People(customer=other.owner, vehicle=other)
    with pytest.raises(Refused, match="in its record"):
        change_people(in_bay.pk, people, version=1, actor=manager)
    begun = make_job(Stage.BOOKED)
    save_check_in(begun.pk, {"odometer": 4}, [], version=0, actor=manager)
    with pytest.raises(Refused, match="check-in of this car"):
        change_people(begun.pk, people, version=begun.version, actor=manager)
    earlier = make_job(Stage.COLLECTED)
    back = make_job(Stage.BOOKED, vehicle=earlier.vehicle, comeback_of=earlier)
    with pytest.raises(Refused, match="same vehicle"):
        change_people(back.pk, people, version=back.version, actor=manager)
    same_car = People(customer=other.owner, vehicle=in_bay.vehicle)
    assert change_people(in_bay.pk, same_car, version=1, actor=manager).customer == other.owner


def test_where_only_the_car_is_asked_for_so_is_no_comeback_of_another_one(
    manager: StaffMember, client: Client
) -> None:
    """The car that is picked was here before: in a booking that is asked about, here it is not."""
    client.force_login(manager)
    earlier, job = make_job(Stage.COLLECTED), make_job(Stage.BOOKED)
    pick = f"{reverse('vehicle_pick')}?vehicle={earlier.vehicle_id}"
    assert 'name="comeback_of"' in client.get(pick).content.decode()
    page = client.get(reverse("job_people", args=[job.number])).content.decode()
    [name] = re.findall(r'name="(\w+)" value="1" id="people-only"', page)
    options = f"{reverse('vehicle_options')}?vehicle_search={earlier.vehicle.plate}"
    assert "#people-only" in client.get(options).content.decode()
    picked = client.get(f"{pick}&{name}=1").content.decode()
    assert earlier.vehicle.plate in picked
    assert "comeback_of" not in picked


def test_the_page_keeps_what_was_typed_of_a_new_customer(
    manager: StaffMember, client: Client
) -> None:
    client.force_login(manager)
    job = make_job(Stage.BOOKED)
    url = reverse("job_people", args=[job.number])
    typed = {
        "version": job.version,
        "customer_mode": "new",
        "customer-name": "Jorun Halfpenny",
        "vehicle_mode": "chosen",
        "vehicle": job.vehicle_id,
    }
    refused = client.post(url, typed)
    assert refused.status_code == 422
    assert "Jorun Halfpenny" in refused.content.decode()
    assert client.post(url, {**typed, "customer-phone": "555 7788"}).status_code == 302
    assert Job.objects.get(pk=job.pk).customer.name == "Jorun Halfpenny"


def test_a_leaver_hands_open_jobs_and_the_clock_over_in_one_step(manager: StaffMember) -> None:
    leaver, heir, other = (make_staff(Role.TECHNICIAN) for _ in range(3))
    now = timezone.now()
    busy = make_job(Stage.BOOKED, technician=heir)
    jobs = [make_job(stage, technician=leaver) for stage in (Stage.BOOKED, Stage.IN_BAY)]
    done = make_job(Stage.COLLECTED, technician=leaver)
    theirs = make_job(Stage.BOOKED, technician=other)
    clock = TimeEntry.objects.create(job=jobs[1], technician=leaver, started_at=now)
    others = TimeEntry.objects.create(job=jobs[1], technician=other, started_at=now)

    handed = hand_over(leaver, heir, manager)
    assert handed.jobs == jobs
    holders = {job.pk: Job.objects.get(pk=job.pk).technician for job in (*jobs, done, theirs)}
    assert list(holders.values()) == [heir, heir, leaver, other]
    clock.refresh_from_db()
    others.refresh_from_db()
    assert clock.ended_at is not None
    assert others.is_running
    assert any(str(busy) in one for one in handed.doubts)

    assert hand_over(heir, None, manager).doubts == []
    assert not Job.objects.filter(technician=heir).exists()
    for wrong in (leaver, manager):
        with pytest.raises(Refused):
            hand_over(leaver, wrong, manager)
