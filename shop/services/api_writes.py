"""Writes of the API, done once for each key that a program gives.

The answer is kept in the transaction of the write itself, so that a repeat after a lost answer, at
the same moment or a month later, finds either both or neither (the header Idempotency-Key:
draft-ietf-httpapi-idempotency-key-header-07, 2025).
"""

import hashlib
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, Final, NamedTuple

from django.db import transaction
from django.utils import timezone

from shop.models import ApiToken, ApiWrite
from shop.services import events
from shop.services.api_tokens import WROTE

KEPT: Final = timedelta(days=90)
MOST_LETTERS: Final = 80


class OtherRequest(Exception):
    """The key was used for another request already."""


class Written(NamedTuple):
    """The answer to a write, and whether it is that of an earlier one."""

    status: int
    answer: str
    repeated: bool


class Made(NamedTuple):
    """What a write did: its answer, and what it wrote, for the shop's log."""

    status: int
    answer: str
    facts: Mapping[str, Any] = {}


@transaction.atomic
def once(token: ApiToken, key: str, asked: bytes, write: Callable[[], Made]) -> Written:
    """Do what `write` does unless it was done with this key before.

    `asked` is the request, method and address with it. Raises OtherRequest, and whatever `write`
    raises; then nothing is kept and the same key may be sent again.
    """
    digest = hashlib.sha256(asked).hexdigest()
    row, new = ApiWrite.objects.get_or_create(
        token=token, key=key, defaults={"request_sha256": digest}
    )
    if not new:
        if row.request_sha256 != digest:
            raise OtherRequest
        return Written(row.status, row.answer, True)
    made = write()
    row.status, row.answer = made.status, made.answer
    row.save(update_fields=["status", "answer"])
    old = ApiWrite.objects.filter(at__lt=timezone.now() - KEPT).order_by("at")
    ApiWrite.objects.filter(pk__in=list(old.values_list("pk", flat=True)[:100])).delete()
    events.log(token.made_by, WROTE, token, after=dict(made.facts))
    return Written(made.status, made.answer, False)
