"""Adapter leads of a job: made, their pins written, taken out, each with a way back."""

from collections.abc import Iterable
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.models import AdapterLead, AdapterWire, Job, JobEvent
from jobs.services.events import done_before, log
from jobs.services.removal import put_back, take_out
from jobs.services.saving import Saved, open_job, save_row
from shop.models import PlugCavity, StaffMember
from shop.services.events import subject_of

MOST_WIRES: Final = 200


def save_wire(number: int, pk: int, changes: dict[str, Any], **by: Any) -> Saved:
    """Save cells of a wire of a lead. Raises Refused where the lead has that wire already."""
    try:
        with transaction.atomic():
            return save_row(
                AdapterWire, pk, changes, number=number, job_path="adapter__job", join=("adapter",),
                code="adapter.changed", **by,
            )  # fmt: skip
    except IntegrityError:
        raise Refused(gettext("The lead has a wire between these two pins already.")) from None


def _known(job: Job, plug: str) -> list[PlugCavity]:
    """The pins written down of a plug of that name: of the vehicle model, else of a part."""
    rows = PlugCavity.objects.filter(table__name=plug).order_by("table", "pk")
    model = list(rows.filter(table__vehicle_model=job.vehicle.vehicle_model_id))
    if model:
        return model
    products = job.parts.values_list("product", flat=True)
    own = list(rows.filter(table__product__in=products))
    return [one for one in own if one.table_id == own[0].table_id]


def _joined(job: Job, lead: AdapterLead) -> list[AdapterWire]:
    """A wire for each function that both plugs have once, as they are written down."""
    ends = []
    for plug in (lead.from_plug, lead.to_plug):
        by_function: dict[str, list[PlugCavity]] = {}
        for one in _known(job, plug):
            if function := " ".join(one.function.casefold().split()):
                by_function.setdefault(function, []).append(one)
        ends.append({name: rows[0] for name, rows in by_function.items() if len(rows) == 1})
    first, second = ends
    return [
        AdapterWire(
            adapter=lead, from_pin=one.cavity, to_pin=second[name].cavity, base=one.base,
            stripe=one.stripe, note=one.function,
        )
        for name, one in first.items()
        if name in second
    ]  # fmt: skip


@transaction.atomic
def add_adapter(
    number: int, name: str, from_plug: str, to_plug: str, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Add a lead; pins of the same function at both plugs, as written down, are joined at once.

    The event undoes it. Raises Refused.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    try:
        with transaction.atomic():
            lead = job.adapters.create(name=name, from_plug=from_plug, to_plug=to_plug)
    except IntegrityError:
        raise Refused(
            gettext("“%(name)s” is there already: give this lead a name of its own.")
            % {"name": name}
        ) from None
    wires = AdapterWire.objects.bulk_create(_joined(job, lead))
    after = {"name": name, "wires": len(wires)}
    return log(job, actor, "adapter.added", subject=subject_of(lead), after=after, key=key)


@transaction.atomic
def write_pins(
    number: int, pk: int, pins: Iterable[Any], *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Add wires to a lead, all or none; the event undoes them. Raises Refused,
    AdapterLead.DoesNotExist."""
    job = open_job(number)
    if done := done_before(key):
        return done
    lead = job.adapters.get(pk=pk)
    there = set(lead.wires.values_list("from_pin", "to_pin"))
    wires = [AdapterWire(adapter=lead, **one._asdict()) for one in pins]
    if len(there) + len(wires) > MOST_WIRES:
        raise Refused(gettext("A lead has at most %(most)s wires.") % {"most": MOST_WIRES})
    if known := [f"{w.from_pin} – {w.to_pin}" for w in wires if (w.from_pin, w.to_pin) in there]:
        raise Refused(
            gettext("The lead has these already: %(known)s.") % {"known": wording.listed(known)}
        )
    made = AdapterWire.objects.bulk_create(wires)
    after = {"name": lead.name, "wires": [one.pk for one in made]}
    return log(job, actor, "adapter.pins", subject=subject_of(lead), after=after, key=key)


@transaction.atomic
def remove_wire(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Take a wire out of its lead; the event undoes it. Raises AdapterWire.DoesNotExist."""
    job = open_job(number)
    if done := done_before(key):
        return done
    row = AdapterWire.objects.select_related("adapter").get(pk=pk, adapter__job=job)
    return _take_out(job, row, str(row), actor, key)


@transaction.atomic
def remove_adapter(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Take a lead out with its wires; the event undoes it. Raises AdapterLead.DoesNotExist."""
    job = open_job(number)
    if done := done_before(key):
        return done
    row = job.adapters.get(pk=pk)
    return _take_out(job, row, row.name, actor, key)


def _take_out(
    job: Job, row: AdapterLead | AdapterWire, name: str, actor: StaffMember, key: str = ""
) -> JobEvent:
    subject, before = subject_of(row), {"name": name, **take_out(row)}
    return log(job, actor, "adapter.removed", subject=subject, before=before, key=key)


def undo_add(event: JobEvent, actor: StaffMember) -> None:
    """Take away the lead an event made, unless something was written of it since."""
    _, pk = event.about
    lead = event.job.adapters.filter(pk=pk).first()
    if lead is None:
        return
    if lead.wires.count() != event.after["wires"] or lead.wires.exclude(version=1).exists():
        raise Refused(
            gettext("Something was written of %(lead)s since: take it out by hand.")
            % {"lead": lead}
        )
    _take_out(event.job, lead, lead.name, actor)


def undo_pins(event: JobEvent, actor: StaffMember) -> None:
    """Take away the wires an event wrote, save those that were put right since."""
    rows = AdapterWire.objects.filter(pk__in=event.after["wires"], adapter__job=event.job_id)
    for row in rows.filter(version=1).select_related("adapter"):
        _take_out(event.job, row, str(row), actor)


def undo_remove(event: JobEvent, actor: StaffMember) -> None:
    """Put back a lead or a wire with all it had."""
    try:
        with transaction.atomic():
            row = put_back(event.before)
    except IntegrityError:
        raise Refused(
            gettext("“%(before)s” is there again already.") % {"before": event.before["name"]}
        ) from None
    after = {"name": event.before["name"]}
    log(event.job, actor, "adapter.put_back", subject=subject_of(row), after=after)
