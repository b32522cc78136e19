"""Several takes of one sound at one place: the newest counts, or all, averaged by one tap."""

from collections.abc import Iterable
from typing import Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import JobEvent, MeasuredResponse, Recording
from jobs.services.events import done_before, log
from jobs.services.saving import open_job
from shop.models import StaffMember
from shop.services.events import subject_of

AVERAGED: Final = "takes.averaged"


def takes_left_out(
    row: Recording, responses: Iterable[MeasuredResponse]
) -> dict[str, list[MeasuredResponse]]:
    """Takes that are set aside for those of a recording, by what plays: of the same phase and
    place, taken with the same settings, so that they differ by chance alone.

    `responses` are the job's. Empty for a recording that does not count itself.
    """
    known = list(responses)
    own = {one.playing: one for one in known if one.recording_id == row.pk and one.counts}
    found: dict[str, list[MeasuredResponse]] = {}
    for one in known:
        beside = own.get(one.playing)
        if (
            beside is not None
            and not one.counts
            and one.recording_id is not None
            and (one.phase, one.place_key) == (beside.phase, beside.place_key)
            and one.taken_with == beside.taken_with
        ):
            found.setdefault(one.playing, []).append(one)
    return found


@transaction.atomic
def average_takes(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Let every take count that was set aside for those of one recording; the event undoes it.

    Raises Refused where there is none, Recording.DoesNotExist without the recording.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    row = job.recordings.get(pk=pk)
    found = takes_left_out(row, job.measured.defer("text", "points"))
    takes = [one for each in found.values() for one in each]
    if not takes:
        raise Refused(gettext("Every take at this place counts already."))
    for one in takes:
        one.counts = True
        one.version += 1
        one.save(update_fields=["counts", "version"])
    return log(
        job,
        actor,
        AVERAGED,
        subject=subject_of(row),
        after={
            "place": row.place,
            "playing": list(found),
            "count": len(takes),
            "rows": [one.pk for one in takes],
        },
        key=key,
    )


def undo_average(event: JobEvent, actor: StaffMember) -> None:
    """Set the takes aside again that are still there and count."""
    for one in MeasuredResponse.objects.filter(
        job=event.job_id, pk__in=event.after["rows"], counts=True
    ).defer("text", "points"):
        one.counts = False
        one.version += 1
        one.save(update_fields=["counts", "version"])
