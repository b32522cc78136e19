"""Fit proof: what was consulted to know that this vehicle takes these parts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any, Final

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.models import FitProof, Job, JobPart
from jobs.services.ask_once import steps_met
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, cells_of, check_open, open_job
from shop.models import Product, ProductKind, StaffMember
from shop.models.products import TurnOn
from shop.on_disk import stored_first
from shop.services.events import subject_of

GUIDE_TYPES: Final = ("pdf", "png", "jpg", "jpeg", "txt")
LARGEST_GUIDE_MB: Final = 10
_STARTS: Final = {
    "pdf": (b"%PDF-",),
    "png": (b"\x89PNG\r\n\x1a\n",),
    "jpg": (b"\xff\xd8\xff",),
    "jpeg": (b"\xff\xd8\xff",),
}


def check_guide(file: UploadedFile[Any]) -> None:
    """Refuse a guide of another type, of another content than its name says, or too large."""
    name = file.name or ""
    kind = name.rpartition(".")[2].lower()
    if kind not in GUIDE_TYPES:
        raise Refused(
            gettext("“%(name)s” is not of a type kept here: attach %(guide_types)s.")
            % {"name": name, "guide_types": wording.listed(GUIDE_TYPES, last="or")}
        )
    if (file.size or 0) > LARGEST_GUIDE_MB * 1024 * 1024:
        size = wording.megabytes(file.size or 0)
        raise Refused(
            gettext(
                "“%(name)s” is %(size)s; at most %(largest_guide_mb)s MB is kept. Attach "
                "the pages that matter, or note where the file is."
            )
            % {"name": name, "size": size, "largest_guide_mb": LARGEST_GUIDE_MB}
        )
    start = file.read(8)
    file.seek(0)
    if kind in _STARTS and not start.startswith(_STARTS[kind]):
        raise Refused(
            gettext("“%(name)s” is not a %(upper)s file inside: save it again as one.")
            % {"name": name, "upper": kind.upper()}
        )
    if kind == "txt" and b"\0" in start:
        raise Refused(gettext("“%(name)s” is not plain text inside.") % {"name": name})


def add_proof(
    number: int,
    actor: StaffMember,
    *,
    source: str,
    reference: str,
    consulted_on: date,
    outcome: str,
    note: str = "",
    guide: UploadedFile[Any] | None = None,
    key: str = "",
) -> FitProof | None:
    """Add a proof; None when this key was already saved. Raises Refused, Job.DoesNotExist."""
    if done_before(key):
        return None
    check_open(Job.objects.get(number=number))
    proof = FitProof(
        source=source,
        reference=reference,
        consulted_on=consulted_on,
        outcome=outcome,
        note=note,
        by=actor,
    )
    with stored_first() as files:
        if guide is not None:
            check_guide(guide)
            files.put(proof.guide, guide.name or "", guide)
        with transaction.atomic():
            kept = _keep_proof(number, proof, key)
            files.stand = kept is not None
    return kept


def _keep_proof(number: int, proof: FitProof, key: str) -> FitProof | None:
    """The proof with its row; None when its key was saved meanwhile."""
    job = open_job(number)
    if done_before(key):
        return None
    proof.job = job
    proof.save(force_insert=True)
    log(
        job,
        proof.by,
        "fitproof.added",
        subject=subject_of(proof),
        after={"source": proof.source, "reference": proof.reference, "outcome": proof.outcome},
        key=key,
    )
    steps_met(job, proof.by)
    return proof


def wakers(parts: Iterable[JobPart]) -> list[JobPart]:
    """The parts that can wake another: by an output made for it, else any interface module."""
    sources = list(parts)
    return [part for part in sources if _can_wake(part.product)] or [
        part for part in sources if part.product.kind == ProductKind.INTERFACE
    ]


def _can_wake(product: Product) -> bool:
    return bool(product.turns_on_others or product.trigger_outputs or product.trigger_output_a)


def _only_waker(number: int, pk: int) -> dict[str, JobPart]:
    """Which part wakes part `pk`, where none is said and only one of the job can."""
    parts = list(JobPart.objects.filter(job__number=number).select_related("product"))
    said = any(part.pk == pk and part.turn_on_by_id for part in parts)
    able = wakers(part for part in parts if part.pk != pk)
    return {"turn_on_by": able[0]} if len(able) == 1 and not said else {}


_save_part: Final = cells_of(JobPart, "part.changed")


def save_part(
    number: int, pk: int, changes: dict[str, Any], *, actor: StaffMember, version: int, key: str
) -> Saved:
    """Save serial, firmware, turn-on or note of a part of the job."""
    by = changes.get("turn_on_by")
    if by is not None and by.pk == pk:
        raise Refused(gettext("A part cannot turn itself on by way of itself: choose another."))
    if changes.get("turn_on") == TurnOn.INTERFACE_MODULE and "turn_on_by" not in changes:
        changes = {**changes, **_only_waker(number, pk)}
    return _save_part(number, pk, changes, actor=actor, version=version, key=key)
