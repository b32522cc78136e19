"""The parts of a job: adding one makes the rows that follow from it, removing one takes them away.

Devices of the plan (amplifiers, processors, interface modules, second batteries and what joins
them) stand as one row a unit, each with its own serial number and its own channels; everything
else is one row with a quantity.
"""

from typing import Final

from django.db import transaction
from django.db.models import F, Q
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Channel, Job, JobPart, Reading, ReadingKind
from jobs.services.entry_step import add_entry_step
from jobs.services.events import log
from jobs.services.next_label import next_label
from shop.models import Product, ProductKind, StaffMember

LETTERS: Final = {
    ProductKind.AMPLIFIER: "A",
    ProductKind.PROCESSOR: "P",
    ProductKind.INTERFACE: "M",
    ProductKind.SPEAKER: "S",
    ProductKind.SUBWOOFER: "W",
    ProductKind.CABLE: "K",
    ProductKind.FUSE: "F",
    ProductKind.BATTERY: "B",
    ProductKind.CAPACITOR: "C",
    ProductKind.ISOLATOR: "I",
    ProductKind.CONVERTER: "V",
    ProductKind.OTHER: "X",
}

MOST_UNITS: Final = 12
MOST_QUANTITY: Final = 999


def _amplifier_readings(label: str) -> tuple[tuple[ReadingKind, str], ...]:
    return (
        (ReadingKind.AMPLIFIER_LOADED, f"Voltage at {label} under load"),
        (ReadingKind.OUTPUT, f"Output voltage of {label} at the test tone"),
    )


def _open_job(job_id: int) -> Job:
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    if not job.takes_changes:
        raise Refused(
            gettext(
                "The parts of %(job)s are settled: it is %(standing)s. Take it back from "
                "review, or ask a manager to open a correction."
            )
            % {"job": job, "standing": job.standing}
        )
    return job


def check_quantity(product: Product, quantity: int) -> None:
    """Refuse a number of pieces nobody means."""
    most = MOST_UNITS if product.is_unit else MOST_QUANTITY
    if not 1 <= quantity <= most:
        raise Refused(
            gettext("%(product)s: give a quantity from 1 to %(most)s.")
            % {"product": product, "most": most}
        )


def _add_unit(job: Job, product: Product) -> JobPart:
    part = job.parts.create(
        product=product,
        label=next_label(job.parts, LETTERS[ProductKind(product.kind)]),
        turn_on=product.turn_on,
    )
    Channel.objects.bulk_create(
        Channel(job=job, part=part, kind=kind, number=number)
        for kind, count in (
            (Channel.Kind.AMPLIFIER, product.amplifier_channels),
            (Channel.Kind.LINE, product.line_outputs),
        )
        for number in range(1, count + 1)
    )
    if product.amplifier_channels:
        order = job.readings.count()
        Reading.objects.bulk_create(
            Reading(
                job=job,
                kind=kind,
                label=label,
                about=part.label if kind == ReadingKind.OUTPUT else "",
                unit="V",
                order=order,
                wanted_before=False,
            )
            for order, (kind, label) in enumerate(_amplifier_readings(part.label), order)
        )
    return part


def put_in(
    job: Job, product: Product, quantity: int, actor: StaffMember, key: str = ""
) -> list[JobPart]:
    """Add a product to a job the caller holds in this transaction; the first event has the key.

    Raises Refused.
    """
    check_quantity(product, quantity)
    if product.is_unit:
        parts = [_add_unit(job, product) for _ in range(quantity)]
        for index, part in enumerate(parts):
            log(
                job,
                actor,
                "part.added",
                subject=f"jobpart:{part.pk}",
                after={"label": part.label, "product": str(product), "quantity": 1},
                key="" if index else key,
            )
        if product.has_limits:
            add_entry_step(job)
        return parts
    there = job.parts.filter(product=product).first()
    if there is not None:
        _change_quantity(there, there.quantity + quantity, actor)
        return [there]
    part = job.parts.create(
        product=product,
        label=next_label(job.parts, LETTERS[ProductKind(product.kind)]),
        quantity=quantity,
    )
    log(
        job,
        actor,
        "part.added",
        subject=f"jobpart:{part.pk}",
        after={"label": part.label, "product": str(product), "quantity": quantity},
        key=key,
    )
    return [part]


@transaction.atomic
def add_part(job_id: int, product: Product, quantity: int, actor: StaffMember) -> list[JobPart]:
    """Add a product, with the channels and readings it brings. Raises Refused."""
    return put_in(_open_job(job_id), product, quantity, actor)


def _change_quantity(part: JobPart, quantity: int, actor: StaffMember) -> None:
    check_quantity(part.product, quantity)
    before = part.quantity
    JobPart.objects.filter(pk=part.pk).update(quantity=quantity, version=F("version") + 1)
    part.refresh_from_db()
    log(
        part.job,
        actor,
        "part.changed",
        subject=f"jobpart:{part.pk}",
        before={"label": part.label, "quantity": before},
        after={"label": part.label, "quantity": quantity, "version": part.version},
    )


@transaction.atomic
def set_quantity(job_id: int, part_id: int, quantity: int, actor: StaffMember) -> JobPart:
    """Set how many pieces of a product without channels the job takes. Raises Refused."""
    job = _open_job(job_id)
    part = job.parts.select_related("product", "job").get(pk=part_id)
    if part.product.is_unit:
        raise Refused(
            gettext("%(part)s is one unit: add or remove units instead.") % {"part": part.label}
        )
    if quantity != part.quantity:
        _change_quantity(part, quantity, actor)
    return part


def goes_with(part: JobPart) -> list[str]:
    """What has been entered and would go if the part were removed, one phrase each."""
    entered = part.channels.filter(
        ~Q(connector="", positive_base="", negative_base="", note="")
        | Q(speakers__isnull=False)
        | Q(feeds_part__isnull=False)
    ).distinct()
    counts = (
        (part.channels.count(), "channel", "channels"),
        (entered.count(), "of them with entries", "of them with entries"),
        (part.speakers.count(), "speaker in its place", "speakers in their places"),
        (part.fed_by.count(), "signal feed to it", "signal feeds to it"),
    )
    return [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]


@transaction.atomic
def remove_part(job_id: int, part_id: int, actor: StaffMember) -> None:
    """Take a part out of the job, its channels and speakers with it. Raises Refused."""
    job = _open_job(job_id)
    part = job.parts.select_related("product").get(pk=part_id)
    gone = {
        "label": part.label,
        "product": str(part.product),
        "quantity": part.quantity,
        "serial": part.serial,
        "with": goes_with(part),
    }
    for kind, label in _amplifier_readings(part.label):
        job.readings.filter(kind=kind, label=label, after_value=None).delete()
    log(job, actor, "part.removed", subject=f"jobpart:{part.pk}", before=gone)
    part.delete()
