"""The correction of a signed sheet: what it corrects, and what it changes so far."""

from typing import Any

from jobs.models import InstallSheet, Job
from jobs.services.moves import NEEDS, of_job
from jobs.sheet import document as sheet_document
from jobs.sheet.change_values import said_of
from jobs.sheet.changes import is_entered
from jobs.wording import Local
from shop.models import Shop

MOST_SAID = 3

_NO_ENTRY = ("job.", "clock.", "sheet.", "sendback.")
"""Beginnings of the codes of events that write nothing on the sheet."""


def newest(job: Job) -> InstallSheet | None:
    """The newest signed sheet, without its PDF."""
    return job.sheets.select_related("job").defer("pdf").order_by("-revision").first()


def corrected(job: Job) -> str:
    """Number of the sheet that is being corrected."""
    sheet = newest(job)
    return sheet.number if sheet else ""


def changes_of(job: Job) -> list[dict[str, Any]]:
    """What the correction of a job changes: as frozen once it is signed, as it stands before."""
    sheet = newest(job)
    if sheet is not None and job.correction_since and sheet.signed_at >= job.correction_since:
        listed = sheet.document["sheet"]["changes"]
    else:
        listed = sheet_document.draft(sheet_document.load(pk=job.pk))["sheet"]["changes"]
    assert isinstance(listed, list)
    return listed


def entered_since_opened(job: Job) -> list[dict[str, Any]]:
    """What was entered since the correction was opened and does not say the same again."""
    opened = job.events.filter(code="job.correct").first()
    since = job.events.filter(pk__gt=opened.pk) if opened else job.events.all()
    for begins in _NO_ENTRY:
        since = since.exclude(code__startswith=begins)
    if not since.exists():
        return []
    return [change for change in changes_of(job) if is_entered(change)]


def in_short(listed: list[dict[str, Any]]) -> str:
    """The first few changes in a sentence, and how many more there are."""
    shop = Shop.objects.current()
    texts = [said_of(change, Local(shop.units, shop.time_zone)) for change in listed[:MOST_SAID]]
    more = len(listed) - MOST_SAID
    return "; ".join(texts) + (f" and {more} more" if more > 0 else "")


def something_corrected(job: Job) -> list[str]:
    if changes_of(job):
        return []
    return [
        f"Nothing differs from {corrected(job)}: a new revision would say the same. "
        "Change what is to be corrected, or abandon the correction."
    ]


def nothing_corrected(job: Job) -> list[str]:
    entered = entered_since_opened(job)
    if not entered:
        return []
    return [f"The record was changed: {in_short(entered)}. Put that back, or sign the correction."]


NEEDS["something_corrected"] = of_job(something_corrected)
NEEDS["nothing_corrected"] = of_job(nothing_corrected)
