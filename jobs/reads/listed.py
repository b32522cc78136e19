"""Rows as a neighbouring program lists them: from the newest on, a page at a time."""

from datetime import timedelta
from typing import Any, Final

from django.db.models import QuerySet
from django.utils import timezone

from jobs.models import InstallSheet, Job, JobEvent, SavedSetup
from shop.models import Bay, Product

A_PAGE: Final = 50
COMMITTED: Final = timedelta(minutes=1)
"""A change may be seen this long after one that was written later: nothing is left out for it."""


def page_of(rows: "QuerySet[Any]", key: str, before: int | None) -> tuple[list[Any], int | None]:
    """A page of rows by a unique number, the highest first, and where the next one begins."""
    if before is not None:
        rows = rows.filter(**{f"{key}__lt": before})
    found = list(rows.order_by(f"-{key}")[: A_PAGE + 1])
    more = len(found) > A_PAGE
    return found[:A_PAGE], getattr(found[A_PAGE - 1], key) if more else None


def jobs_listed(stage: str | None, changed_after: int | None) -> "QuerySet[Job]":
    """Jobs in a stage, and with something in their log after a mark."""
    jobs = Job.objects.with_names()
    if stage:
        jobs = jobs.filter(stage=stage)
    if changed_after is not None:
        jobs = jobs.filter(pk__in=JobEvent.objects.filter(pk__gt=changed_after).values("job_id"))
    return jobs


def mark_now() -> int:
    """The mark to ask for changes after, next time: a change may be told twice, none is missed."""
    settled = JobEvent.objects.filter(at__lt=timezone.now() - COMMITTED).order_by("-pk")
    return settled.values_list("pk", flat=True).first() or 0


def sheets_listed() -> "QuerySet[InstallSheet]":
    """Signed sheets, without what they hold."""
    sheets = InstallSheet.objects.select_related("job", "signed_by", "corrects__job")
    return sheets.defer("document", "pdf", "corrects__document", "corrects__pdf")


def setups_listed() -> "QuerySet[SavedSetup]":
    """Saved setups, without the sheets they are from."""
    return SavedSetup.objects.select_related("vehicle_model")


def products_listed(kind: str | None) -> "QuerySet[Product]":
    """The catalogue with ratings, of one kind or of every kind."""
    products = Product.objects.prefetch_related("ratings")
    return products.filter(kind=kind) if kind else products


def bays_in_use() -> "QuerySet[Bay]":
    """Where jobs are booked into."""
    return Bay.objects.filter(active=True)
