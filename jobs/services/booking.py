"""Booking a visit and changing the booking. A bay is never given twice for the same time."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import AskFirst, ChangedMeanwhile, Refused
from jobs.lifecycle import BOOKING_OPEN, HOLDS_A_BAY, Stage
from jobs.lists.functions import functions_for
from jobs.models import (
    CheckIn,
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
from jobs.services.desk import save_desk
from jobs.services.events import log
from jobs.services.parts import put_in
from jobs.services.saving import as_json
from jobs.services.steps import lay_out
from shop.hours import absences_of, calendar_of
from shop.models import Absence, Bay, Branch, Customer, Product, StaffMember, Vehicle, VehicleModel
from shop.series import begins_at
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


@dataclass(kw_only=True)
class People:
    """Whose car comes, and which. A row without a primary key is new and is saved with the job."""

    customer: Customer
    vehicle: Vehicle
    vehicle_model: VehicleModel | None = None
    customer_owns_vehicle: bool = False


@dataclass(kw_only=True)
class Booking(People):
    """All that the desk says in one booking."""

    slot: Slot
    promised_at: datetime
    wants: str
    technician: StaffMember | None = None
    comeback_of: Job | None = None
    work_kind: WorkKind | None = None
    parts: Iterable[WantedPart] = ()
    stay: str = ""


def _next_number(branch: Branch) -> int:
    """The next number of the branch's series; inside a transaction that holds the book."""
    series = Branch.objects.filter(pk=branch.pk)
    place = series.values_list("next_job_number", flat=True).get()
    series.update(next_job_number=place + 1)
    return begins_at(branch.letters) + place


def check_slot(slot: Slot, but: Job | None = None) -> None:
    """Refuse a slot that is out of order, over-long, in a closed bay, or already given."""
    if slot.ends_at <= slot.starts_at:
        raise Refused(gettext("The slot ends before it starts: change one of its times."))
    if slot.ends_at - slot.starts_at > LONGEST_SLOT:
        raise Refused(
            gettext("The slot is longer than %(days)s days: check its dates.")
            % {"days": LONGEST_SLOT.days}
        )
    if not slot.bay.active:
        raise Refused(gettext("%(bay)s is out of use: choose another bay.") % {"bay": slot.bay})
    wanted = Job(
        pk=but.pk if but else None, bay=slot.bay, starts_at=slot.starts_at, ends_at=slot.ends_at
    )
    if taken := slot_taken(wanted):
        raise Refused(*taken)


def _check_promise(slot: Slot, promised_at: datetime) -> None:
    if promised_at < slot.ends_at:
        raise Refused(
            gettext(
                "Promised for %(promised_at)s, but the bay slot ends %(ends_at)s: "
                "promise a later time or end the slot earlier."
            )
            % {"promised_at": wording.dated(promised_at), "ends_at": wording.dated(slot.ends_at)}
        )


def _busy_with(technician: StaffMember, slot: Slot, but: Job | None) -> Job | None:
    """The first other job that the technician is booked on during the slot."""
    return (
        Job.objects.filter(
            technician=technician,
            stage__in=HOLDS_A_BAY,
            starts_at__lt=slot.ends_at,
            ends_at__gt=slot.starts_at,
        )
        .exclude(pk=but.pk if but else 0)
        .select_related("bay")
        .order_by("starts_at", "number")
        .first()
    )


def doubts(
    slot: Slot,
    promised_at: datetime | None = None,
    technician: StaffMember | None = None,
    but: Job | None = None,
) -> list[str]:
    """What speaks against a time without forbidding it: hours, people away or busy."""
    reasons = []
    moments = filter(None, (slot.starts_at, slot.ends_at, promised_at))
    calendar = calendar_of(moments, slot.bay.branch_id)
    for at, said in (
        (slot.starts_at, gettext("The work starts %(at)s, but %(why)s.")),
        (slot.ends_at, gettext("The work ends %(at)s, but %(why)s.")),
        (promised_at, gettext("The car is promised for %(at)s, but %(why)s.")),
    ):
        if at is not None and (why := calendar.outside(at)):
            reasons.append(said % {"at": wording.dated(at), "why": why})
    if technician is not None:
        reasons += [
            _away(technician, one) for one in absences_of(technician, slot.starts_at, slot.ends_at)
        ]
        if clash := _busy_with(technician, slot, but):
            reasons.append(
                gettext("%(technician)s is on %(job)s in %(bay)s from %(from)s to %(to)s.")
                % {
                    "technician": technician,
                    "job": clash,
                    "bay": clash.bay,
                    "from": wording.dated(clash.starts_at),
                    "to": wording.dated(clash.ends_at),
                }
            )
    return reasons


def _away(technician: StaffMember, absence: Absence) -> str:
    facts = {
        "technician": technician,
        "first": wording.day(absence.first_day),
        "last": wording.day(absence.last_day),
        "why": absence.why,
    }
    if absence.why:
        return gettext("%(technician)s is away from %(first)s to %(last)s: %(why)s.") % facts
    return gettext("%(technician)s is away from %(first)s to %(last)s.") % facts


def _ask(reasons: list[str], confirmed: str) -> None:
    """Raise AskFirst unless somebody has said yes to these very reasons."""
    asked = AskFirst(*reasons)
    if reasons and confirmed != asked.token:
        raise asked


def _lay_out_functions(job: Job) -> None:
    FunctionCheck.objects.bulk_create(
        FunctionCheck(
            job=job, group=function.group, name=function.name, how=function.how, order=order
        )
        for order, function in enumerate(functions_for(job.vehicle.vehicle_model))
    )


def furnish(job: Job, actor: StaffMember) -> None:
    """The rows every job starts with: records before and after, supply, functions, readings."""
    TuningRecord.objects.bulk_create(
        TuningRecord(job=job, kind=kind, name=str(kind.label), by=actor)
        for kind in (TuningKind.BEFORE, TuningKind.AFTER)
    )
    SupplyFacts.objects.create(job=job)
    _lay_out_functions(job)
    Reading.objects.bulk_create(
        Reading(job=job, kind=kind, label=label, unit=unit, order=order)
        for order, (kind, label, unit) in enumerate(DEFAULT_READINGS)
    )


def _save_new_people(booking: People, actor: StaffMember) -> None:
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
def book(booking: Booking, actor: StaffMember, confirmed: str = "") -> Job:
    """Make the job, and the customer, vehicle and vehicle model that are new with it.

    Raises Refused when the bay is taken, the promise is too early, the comeback is of another
    vehicle, or a quantity makes no sense; AskFirst when the time is one that somebody must say
    yes to, unless `confirmed` is that yes. Then nothing at all is kept.
    """
    hold_the_book()
    check_slot(booking.slot)
    _check_promise(booking.slot, booking.promised_at)
    earlier = booking.comeback_of
    if earlier is not None and earlier.vehicle_id != booking.vehicle.pk:
        raise Refused(
            gettext("%(earlier)s was another vehicle: a comeback is of the same vehicle.")
            % {"earlier": earlier}
        )
    _ask(doubts(booking.slot, booking.promised_at, booking.technician), confirmed)
    _save_new_people(booking, actor)
    job = Job(
        number=_next_number(booking.slot.bay.branch),
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
    if booking.stay:
        save_desk(job.number, {"stay": booking.stay}, actor=actor, version=0)
    for part in booking.parts:
        put_in(job, part.product, part.quantity, actor)
    return job


@transaction.atomic
def change_booking(
    job_id: int,
    changes: dict[str, Any],
    *,
    version: int,
    actor: StaffMember,
    confirmed: str = "",
    also_ask: Iterable[str] = (),
) -> Job:
    """Change bay, times, promise, technician, wishes or comeback of a job.

    `version` is that of the job when the form was opened. Raises ChangedMeanwhile when the job
    was changed since, Refused when the new slot is taken or the stage allows no change, AskFirst
    when something that did not speak against the booking does now, unless `confirmed` is the yes;
    `also_ask` are reasons of the caller's own.
    """
    hold_the_book()
    job = (
        Job.objects.select_for_update(of=("self",))
        .select_related("bay", "technician")
        .get(pk=job_id)
    )
    if job.stage not in BOOKING_OPEN:
        raise Refused(
            gettext("%(job)s is %(stage)s: its booking is settled.")
            % {"job": job, "stage": job.get_stage_display().lower()}
        )
    if job.version != version:
        raise ChangedMeanwhile(
            gettext(
                "Somebody changed this job while you were typing. What you typed is kept "
                "below: compare it with the job, then save again."
            )
        )
    stood, left = _doubts_of(job), job.bay
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
    moves_away = job.bay.branch_id != left.branch_id
    if "bay" in after and job.stage == Stage.IN_BAY and (reasons := bay_occupied(job)):
        raise Refused(*reasons)
    if {"ends_at", "promised_at"} & after.keys():
        _check_promise(Slot(job.bay, job.starts_at, job.ends_at), job.promised_at)
    if "vehicle" in after:
        _other_vehicle(job)
    if job.comeback_of is not None and job.comeback_of.vehicle_id != job.vehicle_id:
        raise Refused(
            gettext(
                "%(comeback_of)s was another vehicle: a comeback is of the same vehicle. "
                "If this car comes instead, first change the booking: it is no comeback "
                "then."
            )
            % {"comeback_of": job.comeback_of}
        )
    if job.stage in HOLDS_A_BAY:
        new = [reason for reason in _doubts_of(job) if reason not in stood]
        _ask([*also_ask, *_of_another_branch(job, left), *new], confirmed)
    elif moves_away:
        _ask(_of_another_branch(job, left), confirmed)
    job.version += 1
    with claim(job):
        job.save(update_fields=[*after, "version"])
    log(job, actor, "job.changed", before=before, after=after)
    if moves_away:
        came = {"branch": str(left.branch)}, {"branch": str(job.bay.branch)}
        log(job, actor, "job.branch", before=came[0], after=came[1])
    return job


def _of_another_branch(job: Job, left: Bay) -> list[str]:
    """What is asked before a job goes to a bay of another branch; nothing where it stays."""
    if job.bay.branch_id == left.branch_id:
        return []
    there = job.bay.branch
    said = [
        gettext(
            "%(job)s goes from %(left)s to %(branch)s, into %(bay)s: from then on %(branch)s has "
            "it on its board. Tell the customer where to bring the car."
        )
        % {"job": job, "left": left.branch, "branch": there, "bay": job.bay}
    ]
    person = job.technician
    if person is not None and there not in Branch.objects.of(person):
        said.append(
            gettext("%(person)s does not work at %(branch)s.") % {"person": person, "branch": there}
        )
    return said


def _other_vehicle(job: Job) -> None:
    """Give a booked job the list of functions of another car. Raises Refused once anything of the
    car that was booked stands on the job."""
    if job.stage != Stage.BOOKED:
        raise Refused(
            gettext(
                "%(job)s is %(stage)s: the car is in its record. Cancel the job and book "
                "the other car."
            )
            % {"job": job, "stage": job.get_stage_display().lower()}
        )
    if CheckIn.objects.filter(job=job).exists():
        raise Refused(
            gettext("The check-in of this car is begun: cancel the job and book the other car.")
        )
    if job.setup_uses.exists():
        raise Refused(gettext("A saved setup was taken over for this car: undo that first."))
    job.function_checks.all().delete()
    _lay_out_functions(job)


@transaction.atomic
def change_people(job_id: int, people: People, *, version: int, actor: StaffMember) -> Job:
    """Say that the job is another customer's, or of another car while it is only booked.

    Customer, vehicle and model that are new are saved with it. Raises what `change_booking`
    raises; then nothing is kept.
    """
    hold_the_book()
    _save_new_people(people, actor)
    changes = {"customer": people.customer, "vehicle": people.vehicle}
    return change_booking(job_id, changes, version=version, actor=actor)


@transaction.atomic
def shift(
    job_id: int,
    bay: Bay,
    starts_at: datetime,
    *,
    version: int,
    actor: StaffMember,
    confirmed: str = "",
) -> Job:
    """Move a job to another bay or time, as long as it was: the same move as a changed booking.

    A promise that would fall before the end of the work moves along, which is asked about first.
    Raises what `change_booking` raises.
    """
    job = Job.objects.get(pk=job_id)
    by = starts_at - job.starts_at
    changes: dict[str, Any] = {"bay": bay, "starts_at": starts_at, "ends_at": job.ends_at + by}
    ask = []
    if job.promised_at < changes["ends_at"]:
        changes["promised_at"] = job.promised_at + by
        ask = [
            gettext(
                "%(job)s is promised for %(was)s. Moved, it is promised for %(now)s: "
                "tell the customer."
            )
            % {
                "job": job,
                "was": wording.dated(job.promised_at),
                "now": wording.dated(changes["promised_at"]),
            }
        ]
    return change_booking(
        job_id, changes, version=version, actor=actor, confirmed=confirmed, also_ask=ask
    )


def _doubts_of(job: Job) -> list[str]:
    slot = Slot(job.bay, job.starts_at, job.ends_at)
    return doubts(slot, job.promised_at, job.technician, but=job)


def _shown(value: Any) -> Any:
    """A value as the log keeps it: times as ISO text, people and bays by name."""
    if value is None or isinstance(value, str | int):
        return value
    return as_json(value) if isinstance(value, datetime) else str(value)
