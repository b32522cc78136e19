"""Seats the sound is set for, tape-measured distances, and the delays they ask for."""

from typing import Any, Final

from django.db import transaction

from jobs.errors import Refused
from jobs.models import Job, JobEvent, ListeningSeat, SeatDistance
from jobs.plan.tuning import Delays, delays_of
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, cells_of, open_job, save_row, subject_of
from jobs.services.tuning.facts import facts_of
from jobs.services.tuning.settings import put_settings
from shop.models import StaffMember
from wiring.plan import Plan


def seats_in_use(job: Job) -> dict[str, tuple[float, dict[str, float]]]:
    """Name of each seat in use to its weight and its distances [m] by speaker id."""
    distances: dict[str, tuple[float, dict[str, float]]] = {}
    seats = job.seats.filter(used=True).prefetch_related("distances__speaker")
    for seat in seats:
        distances[str(seat)] = (
            seat.weight,
            {
                one.speaker.label: one.distance_m
                for one in seat.distances.all()
                if one.distance_m is not None
            },
        )
    return distances


def delays_for(job: Job, plan: Plan) -> Delays:
    """What the measured distances ask for."""
    return delays_of(plan, seats_in_use(job), facts_of(job).air_c)


@transaction.atomic
def tap_seat(number: int, place: str, *, actor: StaffMember, key: str = "") -> ListeningSeat:
    """Listen from a seat, or no longer; its distances are kept either way."""
    job = open_job(number)
    seat, is_new = ListeningSeat.objects.get_or_create(job=job, place=place)
    if done_before(key):
        return seat
    if not is_new:
        seat.used = not seat.used
        seat.version += 1
        seat.save(update_fields=["used", "version"])
    log(
        job,
        actor,
        "seat.tapped",
        subject=subject_of(seat),
        before={"used": not seat.used},
        after={"used": seat.used, "version": seat.version},
        key=key,
    )
    return seat


save_weight: Final = cells_of(ListeningSeat, "seat.changed")
"""Save how much a seat counts."""


@transaction.atomic
def save_distance(
    number: int,
    seat_pk: int,
    speaker_pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> Saved:
    """Save the way from a speaker to a seat; the row is made with its first value."""
    job = open_job(number)
    seat = job.seats.get(pk=seat_pk)
    speaker = job.speakers.get(pk=speaker_pk)
    row = SeatDistance.objects.get_or_create(seat=seat, speaker=speaker)[0]
    return save_row(
        SeatDistance,
        row.pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        job_path="seat__job",
        code="distance.measured",
    )


def put_delays_in(number: int, plan: Plan, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Put the delays of the measured distances into the after record; the event undoes it."""
    job = Job.objects.get(number=number)
    delays = delays_for(job, plan)
    if delays.alignment is None:
        raise Refused(delays.missing)
    changes = {
        channel_id: {"delay_ms": round(line.delay.set_ms, 4)}
        for line in delays.lines
        if line.delay is not None
        for channel_id in line.unit.channel_ids
    }
    return put_settings(number, changes, code="delays.put_in", actor=actor, key=key)
