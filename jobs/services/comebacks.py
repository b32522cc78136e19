"""Comebacks: how long the shop answers for a job, and why a car came back."""

import calendar
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.lists.comebacks import USUAL_CAUSES
from jobs.models import ComebackCause, ComebackFacts, Job
from jobs.services.saving import Saved, locked_job, save_only_row
from shop.models import Shop, StaffMember
from shop.services import events


def after_months(day: date, months: int) -> date:
    """The last day of a period of months that runs from a day: the same day of its last month, or
    that month's last day where it has no such day.

    Source: Regulation (EEC, Euratom) No 1182/71, article 3(2)(c), 1971, from memory. The day
    itself still belongs to the period.
    """
    place = day.month - 1 + months
    year, month = day.year + place // 12, place % 12 + 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


@dataclass(frozen=True)
class Promise:
    """One warranty of an earlier job: what it is of, its last day, whether it stood when told."""

    of: str
    until: date
    stood: bool


@dataclass(frozen=True)
class Warranty:
    """What the shop answers for: from the day of the hand-over, asked about on a day."""

    given_on: date | None
    asked_on: date
    promises: tuple[Promise, ...]


def promised_months(job: Job, shop: Shop) -> dict[str, int | None]:
    """For how many months the shop answers for work and parts of a job: what was signed first
    holds, whatever its profile says since; else what its profile says."""
    frozen = job.sheets.order_by("revision").values_list(
        "document__shop__warranty_months", flat=True
    )
    signed = next((one for one in frozen if one is not None), None)
    if signed is not None:
        return {"work": signed["work"], "parts": signed["parts"]}
    return {"work": shop.work_warranty_months, "parts": shop.parts_warranty_months}


def warranty_of(earlier: Job, asked_on: date, shop: Shop) -> Warranty:
    """The warranties of a job as they stand on a day; none before the car was handed over, and
    none that nobody promised."""
    if earlier.stage != Stage.COLLECTED:
        return Warranty(None, asked_on, ())
    given_on = timezone.localdate(earlier.stage_since, shop.zone)
    promised = promised_months(earlier, shop)
    return Warranty(
        given_on,
        asked_on,
        tuple(
            Promise(of.capitalize(), until := after_months(given_on, months), asked_on <= until)
            for of, months in promised.items()
            if months is not None
        ),
    )


def comeback_of(job: Job) -> ComebackFacts:
    """What is known of a comeback's cause; an unsaved row where nobody has said anything."""
    found = ComebackFacts.objects.filter(job=job).select_related("cause").first()
    return found or ComebackFacts(job=job, version=0)


@transaction.atomic
def save_comeback(
    number: int, changes: dict[str, Any], *, actor: StaffMember, version: int, key: str = ""
) -> Saved:
    """Say why a car came back; in every stage. `version` is 0 where nobody has yet."""
    job = locked_job(number)
    return save_only_row(
        ComebackFacts,
        {"job": job},
        changes,
        job=job,
        actor=actor,
        version=version,
        key=key,
        code="comeback.changed",
    )


@transaction.atomic
def start_with_usual_causes(actor: StaffMember) -> int:
    """Add the usual causes that the shop's list does not have yet; gives how many."""
    have = set(ComebackCause.objects.values_list("name", flat=True))
    last = ComebackCause.objects.aggregate(last=Max("order"))["last"] or 0
    new = [name for name in USUAL_CAUSES if name not in have]
    for place, name in enumerate(new, 1):
        events.save(ComebackCause(name=name, order=last + place), actor)
    return len(new)
