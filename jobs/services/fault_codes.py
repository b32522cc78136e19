"""Fault codes read before the work and after it."""

from typing import Any

from django.db import transaction
from django.utils import timezone

from jobs.models import FaultCodes
from jobs.services.saving import Saved, open_job, save_only_row
from shop.models import StaffMember


@transaction.atomic
def save_codes(
    number: int,
    phase: str,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> Saved:
    """Save what was read; who and when go with it. Raises Refused."""
    job = open_job(number)
    taken = bool(changes.get(f"{phase}_codes"))
    return save_only_row(
        FaultCodes,
        {"job": job},
        changes,
        job=job,
        version=version,
        actor=actor,
        key=key,
        code="faultcodes.read",
        stamp={
            f"{phase}_by": actor if taken else None,
            f"{phase}_at": timezone.now() if taken else None,
        },
    )
