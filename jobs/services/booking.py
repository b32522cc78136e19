"""Booking a visit and changing the booking. A bay is never given twice for the same time."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from django.db import transaction

from jobs import wording
from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import BOOKING_OPEN, HOLDS_A_BAY, Stage
from jobs.lists.functions import functions_for
from jobs.models import (
    FunctionCheck,
    Job,
    Reading,
    ReadingKind,
    SupplyFacts,
    TuningKind,
    TuningRecord,
    WorkKind,
)
from jobs.services.bays import bay_occupied, claim, hold_the_book, slot_taken
from jobs.services.events import log
from jobs.services.parts import put_in
from jobs.services.saving import as_json
from jobs.services.steps import lay_out
from shop.models import Bay, Customer, Product, Shop, StaffMember, Vehicle, VehicleModel
from shop.services import events as shop_events

"""Stages in which bay, times, technician and wishes may change."""

LONGEST_SLOT: Final = timedelta(days=31)

DEFAULT_READINGS: Final = (
    (ReadingKind.BATTERY_REST, "Battery at rest", "V"),
    (ReadingKind.CHARGING, "Charging voltage, engine running", "V"),
    (ReadingKind.KEY_OFF, "Key-off draw, asleep", "A"),
)


@dataclass(frozen=True)
class Slot:
    """A bay from one moment to another."""

    bay: Bay
    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True)
class WantedPart:
    """A product and how many."""

    product: Product
    quantity: int = 1


@dataclass
class Booking:
    """All that the desk says in one booking.

    A customer, vehicle or vehicle model without a primary key is new and is saved with the job.
    """

    customer: Customer
    vehicle: Vehicle
    slot: Slot
    promised_at: datetime
    wants: str
    vehicle_model: VehicleModel | None = None
    technician: StaffMember | None = None
    comeback_of: Job | None = None
    work_kind: WorkKind | None = None
    parts: Iterable[WantedPart] = ()
    customer_owns_vehicle: bool = False


def _next_number() -> int:
    number = Shop.objects.values_list("next_job_number", flat=True).get(pk=1)
    Shop.objects.filter(pk=1).update(next_job_number=number + 1)
    return number


def check_slot(slot: Slot, but: Job | None = None) -> None:
    """Refuse a slot that is out of order, over-long, in a closed bay, or already given."""
    if slot.ends_at <= slot.starts_at:
        raise Refused("The slot ends before it starts: change one of its times.")
    if slot.ends_at - slot.starts_at > LONGEST_SLOT:
        raise Refused(f"The slot is longer than {LONGEST_SLOT.days} days: check its dates.")
    if not slot.bay.active:
        raise Refused(f"{slot.bay} is out of use: choose another bay.")
    wanted = Job(
        pk=but.pk if but else None, bay=slot.bay, starts_at=slot.starts_at, ends_at=slot.ends_at
    )
    if taken := slot_taken(wanted):
        raise Refused(*taken)


def _check_promise(slot: Slot, promised_at: datetime) -> None:
    if promised_at < slot.ends_at:
        raise Refused(
            f"Promised for {wording.dated(promised_at)}, but the bay slot ends "
            f"{wording.dated(slot.ends_at)}: "
            "promise a later time or end the slot earlier."
        )


def furnish(job: Job, actor: StaffMember) -> None:
    """The rows every job starts with: records before and after, supply, functions, readings."""
    TuningRecord.objects.bulk_create(
        TuningRecord(job=job, kind=kind, name=str(kind.label), by=actor)
        for kind in (TuningKind.BEFORE, TuningKind.AFTER)
    )
    SupplyFacts.objects.create(job=job)
    FunctionCheck.objects.bulk_create(
        FunctionCheck(
            job=job, group=function.group, name=function.name, how=function.how, order=order
        )
        for order, function in enumerate(functions_for(job.vehicle.vehicle_model))
    )
    Reading.objects.bulk_create(
        Reading(job=job, kind=kind, label=label, unit=unit, order=order)
        for order, (kind, label, unit) in enumerate(DEFAULT_READINGS)
    )


def _save_new_people(booking: Booking, actor: StaffMember) -> None:
    if booking.vehicle_model is not None and booking.vehicle_model.pk is None:
        shop_events.save(booking.vehicle_model, actor)
    if booking.customer.pk is None:
        shop_events.save(booking.customer, actor)
    vehicle = booking.vehicle
    if vehicle.pk is None:
        if booking.vehicle_model is not None:
            vehicle.vehicle_model = booking.vehicle_model
        vehicle.owner = booking.customer
        shop_events.save(vehicle, actor)
    elif booking.customer_owns_vehicle and vehicle.owner_id != booking.customer.pk:
        vehicle.owner = booking.customer
        shop_events.save(vehicle, actor, only=["owner"])


@transaction.atomic
def book(booking: Booking, actor: StaffMember) -> Job:
    """Make the job, and the customer, vehicle and vehicle model that are new with it.

    Raises Refused when the bay is taken, the promise is too early, the comeback is of another
    vehicle, or a quantity makes no sense; then nothing at all is kept.
    """
    hold_the_book()
    check_slot(booking.slot)
    _check_promise(booking.slot, booking.promised_at)
    earlier = booking.comeback_of
    if earlier is not None and earlier.vehicle_id != booking.vehicle.pk:
        raise Refused(f"{earlier} was another vehicle: a comeback is of the same vehicle.")
    _save_new_people(booking, actor)
    job = Job(
        number=_next_number(),
        customer=booking.customer,
        vehicle=booking.vehicle,
        wants=booking.wants,
        bay=booking.slot.bay,
        starts_at=booking.slot.starts_at,
        ends_at=booking.slot.ends_at,
        promised_at=booking.promised_at,
        technician=booking.technician,
        comeback_of=earlier,
        work_kind=booking.work_kind,
        booked_by=actor,
    )
    with claim(job):
        job.save(force_insert=True)
    log(
        job,
        actor,
        "job.booked",
        after={
            "stage": job.stage,
            "bay": job.bay.name,
            "starts_at": as_json(job.starts_at),
            "promised_at": as_json(job.promised_at),
        },
    )
    furnish(job, actor)
    lay_out(job)
    for part in booking.parts:
        put_in(job, part.product, part.quantity, actor)
    return job


@transaction.atomic
def change_booking(
    job_id: int, changes: dict[str, Any], *, version: int, actor: StaffMember
) -> Job:
    """Change bay, times, promise, technician, wishes or comeback of a job.

    `version` is that of the job when the form was opened. Raises ChangedMeanwhile when the job
    was changed since, Refused when the new slot is taken or the stage allows no change.
    """
    hold_the_book()
    job = (
        Job.objects.select_for_update(of=("self",))
        .select_related("bay", "technician")
        .get(pk=job_id)
    )
    if job.stage not in BOOKING_OPEN:
        raise Refused(f"{job} is {job.get_stage_display().lower()}: its booking is settled.")
    if job.version != version:
        raise ChangedMeanwhile(
            "Somebody changed this job while you were typing. What you typed is kept below: "
            "compare it with the job, then save again."
        )
    before, after = {}, {}
    for name, value in changes.items():
        old = getattr(job, name)
        if old != value:
            before[name], after[name] = _shown(old), _shown(value)
            setattr(job, name, value)
    if not after:
        return job
    if {"bay", "starts_at", "ends_at"} & after.keys() and job.stage in HOLDS_A_BAY:
        check_slot(Slot(job.bay, job.starts_at, job.ends_at), but=job)
    if "bay" in after and job.stage == Stage.IN_BAY and (reasons := bay_occupied(job)):
        raise Refused(*reasons)
    if {"ends_at", "promised_at"} & after.keys():
        _check_promise(Slot(job.bay, job.starts_at, job.ends_at), job.promised_at)
    if job.comeback_of is not None and job.comeback_of.vehicle_id != job.vehicle_id:
        raise Refused(f"{job.comeback_of} was another vehicle: a comeback is of the same vehicle.")
    job.version += 1
    with claim(job):
        job.save(update_fields=[*after, "version"])
    log(job, actor, "job.changed", before=before, after=after)
    return job


def _shown(value: Any) -> Any:
    """A value as the log keeps it: times as ISO text, people and bays by name."""
    if value is None or isinstance(value, str | int):
        return value
    return as_json(value) if isinstance(value, datetime) else str(value)
