"""Ending what opens or is told something (a token, an address, a tablet): its row says so."""

from typing import Any

from django.db import models, transaction
from django.utils import timezone

from shop.models import StaffMember
from shop.services import events


@transaction.atomic
def end(
    rows: "models.QuerySet[Any]", by: StaffMember | None, code: str, word: str = "ended"
) -> list[Any]:
    """End those of the rows that are not ended yet, each with its line in the log, and give them.

    The row keeps when and by whom in `word`_at and `word`_by; nobody is who ends it on the server.
    """
    ended = list(rows.select_for_update(of=("self",)).filter(**{f"{word}_at": None}))
    for row in ended:
        at = timezone.now()
        setattr(row, f"{word}_at", at)
        setattr(row, f"{word}_by", by)
        row.save(update_fields=[f"{word}_at", f"{word}_by"])
        events.log(by, code, row, after={f"{word}_at": at})
    return ended
