"""Customers as records: two that are one are merged, one that asks for it is told or erased.

A signed job never changes: it goes on naming the customer it was signed for, and the record that
was merged away stays for it. What was signed and what the logs keep is not erased: it is the
shop's proof of what it did.
"""

import io
import json
import zipfile
from dataclasses import dataclass
from typing import Any, Final

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.lifecycle import LIVE, SIGNED
from jobs.models import DeskFacts, InstallSheet, Job, Mail
from jobs.services.desk import said_on
from jobs.services.events import log
from shop.likeness import customers_near
from shop.models import Customer, ShopEvent, StaffMember, Vehicle
from shop.services import events
from shop.services.events import subject_of

MERGED: Final = "customer.merged"
UNMERGED: Final = "customer.unmerged"
ERASED: Final = "customer.erased"


def same_people(customer: Customer) -> list[int]:
    """The keys of a customer and of all that were merged into it."""
    return [customer.pk, *customer.merged.values_list("pk", flat=True)]


def alike(customer: Customer, most: int = 5) -> list[Customer]:
    """Others of the book that may be the same: the same phone number however it is written, or a
    name that is near; the nearest first."""
    return known_as(customer.name, customer.phone, but=customer.pk, most=most)


def known_as(name: str, phone: str, *, but: int = 0, most: int = 5) -> list[Customer]:
    """Customers who have this phone number, however written, then those whose name is near."""
    by_phone = Customer.objects.with_phone(phone).exclude(pk=but)
    keys = [*by_phone.values_list("pk", flat=True)[:most], *customers_near(name)[:most]]
    wanted = [key for key in dict.fromkeys(keys) if key != but]
    found = Customer.objects.in_the_book().filter(erased_at=None).in_bulk(wanted)
    return [found[key] for key in wanted if key in found][:most]


def _locked(*keys: int) -> dict[int, Customer]:
    rows = Customer.objects.select_for_update(of=("self",)).filter(pk__in=keys).order_by("pk")
    found = {row.pk: row for row in rows}
    if len(found) < len(set(keys)):
        raise Refused(gettext("One of the two is no longer in the book: open the customers again."))
    return found


def _move_jobs(jobs: Any, to: Customer, actor: StaffMember) -> list[int]:
    """Give open jobs to a customer, each with its event."""
    moved = []
    for job in jobs.select_for_update(of=("self",)).select_related("customer").order_by("pk"):
        before = str(job.customer)
        job.customer = to
        job.version += 1
        job.save(update_fields=["customer", "version"])
        log(job, actor, "job.changed", before={"customer": before}, after={"customer": str(to)})
        moved.append(job.pk)
    return moved


def _move_vehicles(vehicles: Any, to: Customer, actor: StaffMember) -> list[int]:
    moved = []
    for vehicle in vehicles.order_by("pk"):
        vehicle.owner = to
        events.save(vehicle, actor, only=["owner"])
        moved.append(vehicle.pk)
    return moved


def _closed() -> Any:
    return Job.objects.filter(stage__in=SIGNED, correction="").values("pk")


@transaction.atomic
def merge(kept_id: int, other_id: int, actor: StaffMember) -> Customer:
    """Make two records of one customer one: cars and open jobs go to the one that is kept, what it
    does not say it takes from the other, and signed jobs stay as they were signed.

    Raises Refused for a record with itself, one merged already, or one that was erased.
    """
    if kept_id == other_id:
        raise Refused(gettext("These are the same record: choose another customer."))
    rows = _locked(kept_id, other_id)
    kept, other = rows[kept_id], rows[other_id]
    for one in (kept, other):
        if one.merged_into_id is not None:
            raise Refused(
                gettext("%(one)s was merged into another customer already: open that one.")
                % {"one": one}
            )
        if one.erased_at is not None:
            raise Refused(
                gettext("The data of one of the two was erased: there is nothing to merge.")
            )
    taken = [
        name
        for name in ("phone", "email", "address")
        if not getattr(kept, name) and getattr(other, name)
    ]
    for name in taken:
        setattr(kept, name, getattr(other, name))
    if other.note and other.note not in kept.note:
        taken.append("note")
        kept.note = "\n".join(filter(None, [kept.note, other.note]))
    if taken:
        kept.clean()
        fields = [*taken, "phone_digits"]
        before = Customer.objects.get(pk=kept.pk)
        events.save(kept, actor, only=fields)
        kept_before = {name: getattr(before, name) for name in taken}
    else:
        kept_before = {}
    jobs = _move_jobs(Job.objects.filter(customer=other).exclude(pk__in=_closed()), kept, actor)
    vehicles = _move_vehicles(Vehicle.objects.filter(owner=other), kept, actor)
    chained = list(other.merged.values_list("pk", flat=True))
    other.merged.update(merged_into=kept)
    other.merged_into = kept
    other.save(update_fields=["merged_into"])
    moved = {"jobs": jobs, "vehicles": vehicles, "merged": chained, "taken": kept_before}
    events.log(actor, MERGED, other, after={"into": kept, **moved})
    return kept


@transaction.atomic
def unmerge(other_id: int, actor: StaffMember) -> Customer:
    """Take the newest merge of a record back: what it brought goes back to it, unless it has been
    signed or given to somebody else since. What the kept one learned from it, it goes on knowing.

    Raises Refused when the record is not merged into anybody.
    """
    other = _locked(other_id)[other_id]
    kept = other.merged_into
    if kept is None:
        raise Refused(gettext("%(other)s is not merged into anybody.") % {"other": other})
    event = ShopEvent.objects.filter(code=MERGED, subject=subject_of(other)).order_by("-pk").first()
    moved = event.after if event is not None else {}
    other.merged_into = None
    other.save(update_fields=["merged_into"])
    Customer.objects.filter(pk__in=moved.get("merged", ()), merged_into=kept).update(
        merged_into=other
    )
    jobs = Job.objects.filter(pk__in=moved.get("jobs", ()), customer=kept)
    back = _move_jobs(jobs.exclude(pk__in=_closed()), other, actor)
    vehicles = _move_vehicles(
        Vehicle.objects.filter(pk__in=moved.get("vehicles", ()), owner=kept), other, actor
    )
    events.log(actor, UNMERGED, other, after={"from": kept, "jobs": back, "vehicles": vehicles})
    return other


@dataclass(frozen=True)
class Kept:
    """What stays of a customer whose data is erased."""

    sheets: int
    jobs: int


def what_stays(customer: Customer) -> Kept:
    """How many signed sheets and jobs go on naming the customer or their car."""
    jobs = Job.objects.filter(customer__in=same_people(customer))
    return Kept(InstallSheet.objects.filter(job__in=jobs).count(), jobs.count())


@transaction.atomic
def erase(customer_id: int, actor: StaffMember) -> Customer:
    """Take name, phone, email, address and notes of a customer out of the book, also of records
    merged into it, and the ways to reach them out of their jobs.

    Signed sheets, the logs and the cars stay. Raises Refused while a job of theirs is open or the
    record was merged into another.
    """
    customer = _locked(customer_id)[customer_id]
    if customer.merged_into_id is not None:
        raise Refused(gettext("This record was merged into another customer: erase that one."))
    if customer.erased_at is not None:
        return customer
    everybody = same_people(customer)
    live = Job.objects.filter(customer__in=everybody, stage__in=LIVE).order_by("number").first()
    if live is not None:
        raise Refused(
            gettext("%(live)s is %(standing)s: finish or cancel it first.")
            % {"live": live, "standing": live.standing}
        )
    now = timezone.now()
    for row in Customer.objects.filter(pk__in=everybody):
        row.name, row.erased_at = f"Erased customer {row.pk}", now
        row.phone = row.phone_digits = row.email = row.address = row.note = ""
        row.save()
        events.log(actor, ERASED, row)
    DeskFacts.objects.filter(job__customer__in=everybody).update(reach="")
    Mail.objects.filter(job__customer__in=everybody).delete()
    return Customer.objects.get(pk=customer_id)


def data_of(customer: Customer) -> dict[str, Any]:
    """Everything the book holds about a customer, as plain JSON types."""
    everybody = same_people(customer)
    rows = Customer.objects.filter(pk__in=everybody).order_by("pk")
    jobs = Job.objects.filter(customer__in=everybody).with_names().order_by("number")
    return {
        "records": [
            {
                **{name: getattr(row, name) for name in ("name", "phone", "email", "address")},
                "note": row.note,
                "in_the_book_since": row.created_at.isoformat(),
            }
            for row in rows
        ],
        "vehicles": [
            {"plate": car.plate, "vin": car.vin, "model": str(car.vehicle_model), "note": car.note}
            for car in Vehicle.objects.filter(owner__in=everybody).select_related("vehicle_model")
        ],
        "jobs": [_job_data(job) for job in jobs],
    }


def _job_data(job: Job) -> dict[str, Any]:
    desk = DeskFacts.objects.filter(job=job).first()
    return {
        "number": job.number,
        "stage": str(job.get_stage_display()),
        "vehicle": str(job.vehicle),
        "wanted": job.wants,
        "from": job.starts_at.isoformat(),
        "promised": job.promised_at.isoformat(),
        "reach": desk.reach if desk else "",
        "parts": [
            {"part": str(part), "quantity": part.quantity, "serial": part.serial}
            for part in job.parts.select_related("product")
        ],
        "said": [
            {"at": one.at.isoformat(), "how": one.after["how"], "text": one.after["text"]}
            for one in said_on(job)
        ],
        "mails": [
            {"at": mail.asked_at.isoformat(), "to": mail.to, "text": mail.text}
            for mail in job.mails.all()
        ],
        "estimate": [
            {"text": line.text, "price": str(line.price)} for line in job.estimate_lines.all()
        ],
        "payments": [
            {"at": one.at.isoformat(), "kind": one.kind, "amount": str(one.amount)}
            for one in job.payments.all()
        ],
        "sheets": [sheet.number for sheet in job.sheets.defer("document", "pdf")],
    }


def export(customer: Customer) -> bytes:
    """The data as JSON in a ZIP file, with every signed sheet as it was signed."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        text = json.dumps(data_of(customer), ensure_ascii=False, indent=2)
        archive.writestr("customer.json", text)
        jobs = Job.objects.filter(customer__in=same_people(customer)).order_by("number")
        for job in jobs:
            for sheet in job.sheets.defer("document").select_related("job"):
                archive.writestr(f"sheets/{sheet.number}.pdf", bytes(sheet.pdf))
    return out.getvalue()
