"""Recordings of test signals: heard once, kept as FLAC, their responses beside imported ones."""

import re
from collections.abc import Sequence
from typing import Any, Final

from django.core.files.base import ContentFile
from django.db import transaction

from jobs.errors import Refused
from jobs.models import (
    Channel,
    Job,
    JobEvent,
    MeasuredPhase,
    MeasuredResponse,
    Microphone,
    Recording,
)
from jobs.plan.document import plan_of
from jobs.plan.limits import delay_that_fits
from jobs.plan.power import doc
from jobs.plan.tuning import Delays
from jobs.services.events import done_before, log
from jobs.services.saving import check_open, open_job, put_cells_back, save_row
from jobs.services.tuning.measured import MOST_KEPT, set_aside_older, taken_with
from jobs.services.tuning.seats import delays_for
from jobs.services.tuning.settings import put_settings
from shop.lazy import Lazy
from shop.models import StaffMember
from shop.on_disk import discard, stored_first
from shop.services.events import subject_of

sums = Lazy("jobs.plan.recordings")
together = Lazy("jobs.plan.together")

MOST_BYTES: Final = 30_000_000
MOST_RECORDINGS: Final = 200
_KEY: Final = re.compile(r"[\w-]{8,64}\Z", re.ASCII)


def add_recording(
    number: int,
    content: bytes,
    *,
    phase: str,
    order: Sequence[str],
    place: str,
    spec: Any,
    microphone: Microphone | None,
    device: str,
    key: str,
    actor: StaffMember,
) -> Recording:
    """Hear a recording and keep it; a repeat of `key` gives the one that is kept already.

    `order` says what played, one after another, and `spec` with which signal. Raises Refused when
    nothing can be said from it, with what to do, and when the sheet takes no entries.
    """
    if not _KEY.match(key):
        raise Refused("This recording came without its key: reload the page, then record again.")
    if known := Recording.objects.filter(key=key, job__number=number).first():
        return known
    if len(content) > MOST_BYTES:
        raise Refused("The recording is larger than 30 MB: record one signal at a time.")
    try:
        sound = sums.read_sound(content)
        heard = sums.heard(spec, sound, microphone)
    except sums.Unheard as unheard:
        stops = [one for one in unheard.faults if one["severity"] == "stop"]
        raise Refused(*(f"{one['said']} {one['what_to_do']}".strip() for one in stops)) from None
    recording = Recording(
        phase=MeasuredPhase(phase),
        order=list(order),
        place=place[:60],
        spec=sums.kept(spec),
        microphone=microphone,
        sample_rate_hz=sound.sample_rate_hz,
        seconds=sound.seconds,
        device=device[:200],
        drift_ppm=heard.drift_ppm,
        results=heard.results,
        faults=heard.faults,
        key=key,
        by=actor,
    )
    recording.job = Job.objects.get(number=number)
    check_open(recording.job)
    with stored_first() as files:
        files.put(recording.file, "recording.flac", ContentFile(sums.flac(sound)))
        with transaction.atomic():
            kept = _keep(number, recording, heard)
            files.stand = kept is recording
    return kept


def _keep(number: int, recording: Recording, heard: Any) -> Recording:
    """The recording with its rows, or the one that was kept under its key meanwhile."""
    job = open_job(number)
    if done_before(recording.key):
        return Recording.objects.get(key=recording.key, job=job)
    if job.recordings.count() >= MOST_RECORDINGS or job.measured.count() >= MOST_KEPT:
        raise Refused("This job has 200 measurements already: remove some first.")
    recording.job = job
    recording.taken_with = settings = taken_with(job, recording.phase)
    plan = plan_of(job)
    if len(recording.results) > 1:
        recording.polarity = sums.polarities(recording, plan, delays_for(job, plan), settings)
        as_set = plan_of(job, recording.phase)
        takes = together.by_channel(recording, heard.takes)
        recording.pairs = together.pairs_heard(as_set, takes)
        recording.meets = together.meets_heard(as_set, takes)
    recording.places = sums.places_heard(recording, plan)
    recording.save(force_insert=True)
    for result, levels in zip(recording.results, heard.points, strict=bool(heard.points)):
        _respond(job, recording, recording.order[result["number"]], levels, settings)
    log(
        job,
        recording.by,
        "recording.added",
        subject=subject_of(recording),
        after={
            "phase": recording.phase,
            "playing": recording.order,
            "place": recording.place,
            "heard": len(recording.results),
        },
        key=recording.key,
    )
    if recording.phase == MeasuredPhase.AFTER:
        _prove(job, recording)
    return recording


def _prove(job: Job, recording: Recording) -> None:
    """What a recording proves need not be proved again by hand.

    Where all of it is the other way round, the chain may be: that proves nothing.
    """
    proved = {
        key
        for key, one in recording.polarity.items()
        if one["verdict"] == "proved" and one["measured"] == one["expected"]
    }
    for channel in job.channels.select_related("part").exclude(polarity_proved=True):
        if channel.plan_id in proved:
            save_row(
                Channel,
                channel.pk,
                {"polarity_proved": True, "polarity_by": Channel.PolarityBy.RECORDED},
                number=job.number,
                actor=recording.by,
                version=channel.version,
                key=_proof_key(recording, channel.pk),
                force=True,
            )


def _proof_key(recording: Recording, channel_pk: int) -> str:
    return f"recording-{recording.pk}-proof-{channel_pk}"


def _take_proofs_back(job: Job, recording: Recording, actor: StaffMember) -> None:
    """Put back what stood before a recording proved it, save what somebody changed since."""
    pks = job.channels.values_list("pk", flat=True)
    keys = [_proof_key(recording, pk) for pk in pks]
    for event in JobEvent.objects.filter(job=job, key__in=keys):
        put_cells_back(Channel, "channel.changed", event, actor)


def _respond(
    job: Job,
    recording: Recording,
    playing: str,
    points: list[list[float]],
    settings: dict[str, Any],
) -> None:
    row = MeasuredResponse.objects.create(
        job=job,
        phase=recording.phase,
        playing=playing,
        place=recording.place,
        file_name=f"recording {recording.pk}",
        points=points,
        taken_with=settings,
        recording=recording,
        by=recording.by,
    )
    set_aside_older(job, row)


@transaction.atomic
def remove_recording(number: int, pk: int, *, actor: StaffMember, key: str = "") -> None:
    """Take a recording away, with the responses worked out from it; again changes nothing."""
    job = open_job(number)
    if done_before(key):
        return
    row = job.recordings.filter(pk=pk).first()
    if row is None:
        return
    storage, name = row.file.storage, str(row.file.name)
    _take_proofs_back(job, row, actor)
    log(
        job,
        actor,
        "recording.removed",
        subject=subject_of(row),
        before={"phase": row.phase, "playing": row.order, "place": row.place},
        key=key,
    )
    row.delete()
    transaction.on_commit(lambda: discard([(storage, name)]))


def delays_wanted(row: Recording, plan: doc.Plan, delays: Delays | None = None) -> list[Any]:
    """Delays by the measured arrivals of one recording (jobs.plan.recordings.Wanted).

    `delays` are those of the job by tape measure, where they are at hand.
    """
    by_tape = delays or delays_for(row.job, plan)
    wanted: list[Any] = sums.delays_wanted(row, plan, by_tape, settings_of(row))
    return wanted


def settings_of(row: Recording) -> dict[str, Any]:
    """The settings in force when it was recorded, by channel."""
    first = next(iter(row.responses.all()), None)
    kept: dict[str, Any] = row.taken_with or (first.taken_with if first is not None else {})
    return kept


def put_measured_delays_in(
    number: int, pk: int, plan: doc.Plan, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Put the delays of measured arrivals into the after record; the event undoes it.

    Raises Refused where they ask for none, Recording.DoesNotExist without the recording.
    """
    wanted = delays_wanted(Recording.objects.get(pk=pk, job__number=number), plan)
    if not wanted:
        raise Refused("Record every channel, one after another, in one recording first.")
    changes = {
        channel: {"delay_ms": delay_that_fits(plan, channel, one.delay.wanted_ms)}
        for one in wanted
        for channel in one.unit.channel_ids
    }
    return put_settings(number, changes, code="delays.put_in", actor=actor, key=key)


def pairs_of(row: Recording, plan: doc.Plan, delays: Delays | None = None) -> list[Any]:
    """Both sides of each pair of one recording, with the level that matches them
    (jobs.plan.together.Pair)."""
    units = sums.units_by_channel(plan, delays or delays_for(row.job, plan))
    found: list[Any] = together.pairs_of(row, plan, units, settings_of(row))
    return found


def match_levels(
    number: int, pk: int, plan: doc.Plan, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Lower the louder side of each pair in the after record; the event undoes it.

    Raises Refused where all pairs match, Recording.DoesNotExist without the recording.
    """
    changes = {
        one.channel_id: {"level_db": one.level_db}
        for pair in pairs_of(Recording.objects.get(pk=pk, job__number=number), plan)
        for one in pair.wanted
    }
    if not changes:
        raise Refused("Record both sides of a pair in one recording first.")
    return put_settings(number, changes, code="levels.put_in", actor=actor, key=key)
