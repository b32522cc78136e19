"""Booking: one bay, one time, one job; everything or nothing; what was typed stays."""

import re
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone, translation

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import Job, ReadingKind, TuningKind, WorkKind
from jobs.services.booking import Booking, Slot, WantedPart, book, change_booking, doubts
from shop.models import Absence, Branch, ClosedDays, Customer, OpenHours, ProductKind, Vehicle
from shop.roles import Role
from tests.factories import (
    BayFactory,
    CustomerFactory,
    VehicleFactory,
    VehicleModelFactory,
    make_job,
    make_product,
    make_shop,
    make_staff,
)
from tests.racing import at_once

MORNING = (timezone.now() + timedelta(days=3)).replace(hour=9, minute=0, second=0, microsecond=0)
HOUR = timedelta(hours=1)


def a_booking(**overrides: Any) -> Booking:
    vehicle = overrides.pop("vehicle", None) or VehicleFactory()
    slot = overrides.pop("slot", None) or Slot(BayFactory(), MORNING, MORNING + 4 * HOUR)
    values: dict[str, Any] = {
        "customer": vehicle.owner,
        "vehicle": vehicle,
        "slot": slot,
        "promised_at": slot.ends_at + HOUR,
        "wants": "More bass, every chime kept",
    }
    return Booking(**{**values, **overrides})


@pytest.mark.django_db
def test_a_booking_makes_everything_the_bay_will_need() -> None:
    desk = make_staff(Role.FRONT_DESK)
    amplifier = make_product(kind=ProductKind.AMPLIFIER, amplifier_channels=4, line_outputs=2)
    speaker = make_product(kind=ProductKind.SPEAKER, amplifier_channels=0)
    Branch.objects.first_one()
    Branch.objects.update(next_job_number=500)

    first = book(a_booking(parts=[WantedPart(amplifier, 2), WantedPart(speaker, 6)]), desk)
    second = book(a_booking(), desk)

    assert (first.number, second.number) == (500, 501)
    assert first.stage == Stage.BOOKED
    assert [(part.label, part.quantity) for part in first.parts.all()] == [
        ("A1", 1),
        ("A2", 1),
        ("S1", 6),
    ]
    assert {channel.plan_id for channel in first.channels.filter(part__label="A2")} == {
        "A2.1", "A2.2", "A2.3", "A2.4", "A2.L1", "A2.L2",
    }  # fmt: skip
    kinds = set(first.tuning_records.values_list("kind", flat=True))
    assert kinds == {TuningKind.BEFORE, TuningKind.AFTER}
    assert first.supply.base_load_a > 0
    assert first.function_checks.filter(name="Seat belt chime").exists()
    assert (
        first.readings.filter(kind=ReadingKind.AMPLIFIER_LOADED, wanted_before=False).count() == 2
    )
    assert first.events.filter(code="job.booked", actor=desk).count() == 1


@pytest.mark.django_db
def test_only_high_voltage_cars_are_asked_for_the_pedestrian_sound() -> None:
    desk = make_staff(Role.FRONT_DESK)
    electric = VehicleFactory(vehicle_model=VehicleModelFactory(powertrain="electric"))
    asked = [
        book(a_booking(vehicle=vehicle), desk)
        .function_checks.filter(name="Pedestrian warning sound")
        .exists()
        for vehicle in (electric, VehicleFactory())
    ]
    assert asked == [True, False]


# [------- 9 ---- taken ---- 13 -------]
@pytest.mark.django_db
@pytest.mark.parametrize(
    ("starts", "ends", "free"),
    [
        (5, 9, True),
        (13, 15, True),
        (8, 10, False),
        (12, 14, False),
        (10, 11, False),
        (8, 14, False),
    ],
)
def test_a_bay_is_never_given_twice(starts: int, ends: int, free: bool) -> None:
    taken = make_job(starts_at=MORNING, hours=4)
    slot = Slot(taken.bay, MORNING.replace(hour=starts), MORNING.replace(hour=ends))
    desk = make_staff(Role.FRONT_DESK)
    if free:
        assert book(a_booking(slot=slot), desk).bay == taken.bay
    else:
        with pytest.raises(Refused, match=f"taken by {taken}"):
            book(a_booking(slot=slot), desk)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("stage", "free"),
    [
        (Stage.ON_HOLD, False),
        (Stage.READY_FOR_REVIEW, False),
        (Stage.CANCELLED, True),
        (Stage.SIGNED_OFF, True),
        (Stage.COLLECTED, True),
    ],
)
def test_a_bay_is_held_until_the_work_is_signed(stage: Stage, free: bool) -> None:
    there = make_job(stage, starts_at=MORNING, hours=4)
    again = a_booking(slot=Slot(there.bay, MORNING, MORNING + HOUR))
    desk = make_staff(Role.FRONT_DESK)
    if free:
        book(again, desk)
    else:
        with pytest.raises(Refused):
            book(again, desk)


@pytest.mark.django_db
def test_a_refused_booking_keeps_nothing() -> None:
    taken = make_job(starts_at=MORNING, hours=4)
    model = VehicleModelFactory()
    fresh = Booking(
        customer=Customer(name="Odo Marrick", phone="555 0199"),
        vehicle=Vehicle(vehicle_model=model, plate="NEW 1", year=2020),
        slot=Slot(taken.bay, MORNING, MORNING + HOUR),
        promised_at=MORNING + 2 * HOUR,
        wants="Anything",
    )
    number = Branch.objects.get().next_job_number
    with pytest.raises(Refused):
        book(fresh, make_staff(Role.FRONT_DESK))
    assert not Customer.objects.filter(name="Odo Marrick").exists()
    assert not Vehicle.objects.filter(plate="NEW 1").exists()
    assert Branch.objects.get().next_job_number == number


@pytest.mark.django_db
def test_what_makes_no_sense_is_refused_in_words() -> None:
    desk = make_staff(Role.FRONT_DESK)
    bay = BayFactory()
    earlier = make_job(Stage.COLLECTED)
    amplifier = make_product()
    wrong = {
        "promise a later time": a_booking(promised_at=MORNING),
        "ends before it starts": a_booking(slot=Slot(bay, MORNING, MORNING - HOUR)),
        "out of use": a_booking(slot=Slot(BayFactory(active=False), MORNING, MORNING + HOUR)),
        "another vehicle": a_booking(comeback_of=earlier),
        "quantity from 1 to 12": a_booking(parts=[WantedPart(amplifier, 13)]),
    }
    before = Job.objects.count()
    for words, one in wrong.items():
        with pytest.raises(Refused, match=words):
            book(one, desk)
    assert Job.objects.count() == before


@pytest.mark.django_db
def test_a_booking_is_moved_only_to_a_free_time_and_only_from_what_was_seen() -> None:
    desk = make_staff(Role.FRONT_DESK)
    bay = BayFactory()
    taken = make_job(bay=bay, starts_at=MORNING, hours=2)
    job = make_job(bay=bay, starts_at=MORNING + 3 * HOUR, hours=2)

    with pytest.raises(Refused, match=f"taken by {taken}"):
        change_booking(job.pk, {"starts_at": MORNING + HOUR}, version=1, actor=desk)
    moved = change_booking(job.pk, {"starts_at": MORNING + 2 * HOUR}, version=1, actor=desk)
    assert (moved.starts_at, moved.version) == (MORNING + 2 * HOUR, 2)
    with pytest.raises(ChangedMeanwhile):
        change_booking(job.pk, {"wants": "Something else"}, version=1, actor=desk)
    event = job.events.get(code="job.changed")
    assert event.before == {"starts_at": (MORNING + 3 * HOUR).isoformat()}


# Two people at once --------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_of_many_bookings_of_one_slot_one_wins_and_numbers_stay_unique() -> None:
    desk = make_staff(Role.FRONT_DESK)
    bay = BayFactory()
    wanted = [a_booking(slot=Slot(bay, MORNING, MORNING + HOUR)) for _ in range(4)]
    elsewhere = [a_booking() for _ in range(2)]
    answers = at_once(*(lambda one=one: book(one, desk) for one in [*wanted, *elsewhere]))
    booked = [answer for answer in answers if isinstance(answer, Job)]
    assert len([job for job in booked if job.bay_id == bay.pk]) == 1
    assert len({job.number for job in booked}) == 3


# The page ------------------------------------------------------------------------------


def typed(**overrides: Any) -> dict[str, Any]:
    """A booking of a new car of a new customer, as the page posts it."""
    bay = overrides.pop("bay", None) or BayFactory()
    day = f"{MORNING:%Y-%m-%d}"
    return {
        "customer_mode": "new",
        "customer-name": "Odo Marrick",
        "customer-phone": "555 0199",
        "vehicle_mode": "new",
        "vehicle-plate": "new 1234",
        "vehicle-vin": "1M8GDM9A1KP042789",
        "vehicle-year": "2019",
        "model_mode": "chosen",
        "vehicle_model": VehicleModelFactory().pk,
        "wants": "Clear voices",
        "bay": bay.pk,
        "starts_at_0": day,
        "starts_at_1": "09:00",
        "ends_at_0": day,
        "ends_at_1": "13:00",
        "promised_at_0": day,
        "promised_at_1": "17:00",
        **overrides,
    }


@pytest.fixture
def desk(client: Client, db: None) -> Client:
    client.force_login(make_staff(Role.FRONT_DESK))
    return client


def test_the_page_says_the_wrong_character_and_takes_the_vin_when_confirmed(desk: Client) -> None:
    # 49 CFR 565.15(c): 1M8GDM9AXKP042788 is the regulation's own example with check digit X;
    # read with a last 9, position 9 no longer agrees.
    wrong = typed(**{"vehicle-vin": "1M8GDM9AXKP042789"})
    answer = desk.post(reverse("book"), wrong)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "position 9 reads X and should be 1" in page
    assert 'value="Odo Marrick"' in page
    assert not Job.objects.exists()

    answer = desk.post(reverse("book"), {**wrong, "vehicle-vin_confirmed": "on"})
    job = Job.objects.get()
    assert answer.status_code == 302
    assert answer["Location"] == job.get_absolute_url()
    assert (job.vehicle.plate, job.vehicle.vin_odd) == ("NEW 1234", True)
    assert job.customer.name == "Odo Marrick"
    assert job.customer.phone_digits == "5550199"


def test_the_page_keeps_all_that_was_typed_when_the_bay_is_taken(desk: Client) -> None:
    taken = make_job(starts_at=MORNING, hours=4)
    amplifier = make_product(name="Weir Nine")
    answer = desk.post(
        reverse("book"),
        typed(
            bay=taken.bay,
            wants="Only the fronts",
            part_product=[amplifier.pk],
            part_quantity=["2"],
        ),
    )
    page = answer.content.decode()
    assert answer.status_code == 422
    assert f"taken by {taken}" in page
    kept = ("Odo Marrick", "new 1234", "1M8GDM9A1KP042789", "Only the fronts", "Weir Nine", "17:00")
    assert [text for text in kept if text not in page] == []
    assert 'name="part_quantity" value="2"' in page


def test_the_page_books_a_comeback_of_a_known_car(desk: Client) -> None:
    earlier = make_job(Stage.COLLECTED, starts_at=MORNING - timedelta(days=30))
    form = desk.get(reverse("book"), {"comeback_of": earlier.number}).content.decode()
    assert f'<option value="{earlier.pk}" selected>' in form
    answer = desk.post(
        reverse("book"),
        typed(
            customer=earlier.customer_id,
            vehicle=earlier.vehicle_id,
            comeback_of=earlier.pk,
        ),
    )
    job = Job.objects.latest("number")
    assert answer["Location"] == job.get_absolute_url()
    assert job.comeback_of == earlier
    assert job.vehicle == earlier.vehicle


def test_a_car_in_the_book_is_offered_and_entered_again_only_when_the_desk_says_so(
    desk: Client,
) -> None:
    known = VehicleFactory(plate="NEW 1234", plate_plain="NEW1234")
    page = desk.post(reverse("book"), typed()).content.decode()
    assert "This plate is in the book already" in page
    assert f"{reverse('vehicle_pick')}?vehicle={known.pk}" in page
    assert Vehicle.objects.count() == 1
    answer = desk.post(reverse("book"), typed(**{"vehicle-known_confirmed": "on"}))
    assert answer.status_code == 302
    assert Vehicle.objects.filter(plate="NEW 1234").count() == 2


def test_a_car_without_a_vin_is_known_by_its_plate_at_the_second_visit(desk: Client) -> None:
    first = desk.post(reverse("book"), typed(**{"vehicle-vin": ""}))
    assert first.status_code == 302
    known = Vehicle.objects.get()
    again = {"vehicle-vin": "", "vehicle-plate": "New-12 34"}
    again |= {"customer-name": "Wen Halgard", "customer-phone": "555 0144"}
    page = desk.post(reverse("book"), typed(**again)).content.decode()
    assert "This plate is in the book already" in page
    assert f"{reverse('vehicle_pick')}?vehicle={known.pk}" in page
    assert Vehicle.objects.count() == 1
    other = {**again, "vehicle-plate": "new 1235"}
    assert desk.post(reverse("book"), typed(**other)).status_code == 302
    assert Vehicle.objects.count() == 2


def test_a_vin_being_typed_suggests_years_and_region_and_finds_the_car(desk: Client) -> None:
    known = VehicleFactory(vin="4UZ00A0X0RA000001")
    asked = {"prefix": "vehicle", "vehicle-vin": known.vin, "booking": "1"}
    page = desk.get(reverse("vin_report"), asked).content.decode()
    # Position 10 is R: 1994 or 2024; a letter in position 7 is for the later cycle, and here
    # there is a digit (49 CFR 565.15, Table VII).
    assert page.index('data-value="1994"') < page.index('data-value="2024"')
    assert "North America" in page
    assert f"{reverse('vehicle_pick')}?vehicle={known.pk}" in page
    again = desk.get(reverse("vin_report"), {**asked, "but": known.pk}).content.decode()
    assert "in the book already" not in again


def test_a_used_car_changes_hands_only_when_the_desk_says_so(desk: Client) -> None:
    vehicle, buyer = VehicleFactory(), CustomerFactory()
    answers = {"customer": buyer.pk, "vehicle": vehicle.pk}
    desk.post(reverse("book"), typed(**answers))
    vehicle.refresh_from_db()
    assert vehicle.owner != buyer
    desk.post(reverse("book"), typed(**answers, owner_changes="on"))
    vehicle.refresh_from_db()
    assert vehicle.owner == buyer


def test_the_day_shows_what_is_free_in_each_bay(desk: Client) -> None:
    make_shop(time_zone="America/Chicago")
    bay = BayFactory(name="Bay by the door")
    # 15:00 UTC is 09:00 in Chicago in winter.
    day = datetime(2027, 1, 12, tzinfo=timezone.get_fixed_timezone(0))
    job = make_job(bay=bay, starts_at=day.replace(hour=15), hours=3)
    shown = desk.get(
        reverse("bay_day"),
        {"bay": bay.pk, "starts_at_0": "2027-01-12", "starts_at_1": "11:00",
         "ends_at_0": "2027-01-12", "ends_at_1": "12:30"},
    ).content.decode()  # fmt: skip
    assert "Free 07:00–09:00" in shown
    assert "Free 12:00–19:00" in shown
    assert f"09:00–12:00 {job}" in shown
    assert f"taken by {job}" in shown


@pytest.mark.django_db
def test_the_kind_of_work_lays_out_its_steps() -> None:
    kind = WorkKind.objects.create(name="Speakers only")
    for order, text in enumerate(("Cover the seats", "Fit the speakers")):
        kind.steps.create(order=order, text=text)

    job = book(a_booking(work_kind=kind), make_staff(Role.FRONT_DESK))

    assert [step.text for step in job.steps.all()] == ["Cover the seats", "Fit the speakers"]
    assert not book(a_booking(), make_staff(Role.FRONT_DESK)).steps.exists()


@pytest.mark.once
@pytest.mark.django_db
@pytest.mark.parametrize(
    ("language", "alike"),
    [("de", {"in", "April", "August", "September", "November"}), ("es", set())],
)
def test_every_doubt_about_a_time_is_in_the_readers_language(
    language: str, alike: set[str]
) -> None:
    monday = MORNING - timedelta(days=MORNING.weekday())
    make_shop(country="DE", keeps_holidays=True)
    there = Branch.objects.first_one()
    OpenHours.objects.all().delete()
    for weekday in range(5):
        OpenHours.objects.create(branch=there, weekday=weekday, opens_at="08:00", closes_at="18:00")
    day = monday.date()
    ClosedDays.objects.create(branch=there, first_day=day, last_day=day, why="QQ")
    whoever = make_staff(Role.TECHNICIAN, name="Wex")
    tuesday, saturday = monday + 24 * HOUR, monday + 5 * 24 * HOUR
    Absence.objects.create(person=whoever, first_day=day, last_day=day)
    Absence.objects.create(person=whoever, first_day=day, last_day=day, why="QQ")
    bay = BayFactory(name="Zwo")
    busy = make_job(starts_at=monday, hours=4, technician=whoever, bay=bay)
    christmas = datetime(monday.year + 1, 12, 25, 10, tzinfo=MORNING.tzinfo)

    def every(tongue: str) -> list[str]:
        with translation.override(tongue):
            return [
                *doubts(Slot(bay, monday, tuesday.replace(hour=22)), saturday, whoever),
                *doubts(Slot(bay, christmas, christmas + HOUR), christmas + 2 * HOUR),
            ]

    plain, told = every("en"), every(language)
    assert len(told) == len(plain) == 9
    typed = {"Wex", "Zwo", "QQ", "Erster", "Weihnachtstag"}
    ours = set(re.findall(r"[^\W\d_]{2,}", " ".join(plain))) - typed - alike
    for reason in told:
        left = ours.intersection(re.findall(r"[^\W\d_]{2,}", reason))
        assert not left, f"{left} in: {reason}"
    assert str(busy) in " ".join(told)
