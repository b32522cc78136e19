"""The channel plan: speakers in their places, and what each channel feeds over which wire."""

from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Channel, Job, JobEvent, JobPart, JobSpeaker
from jobs.plan.columns import SPEAKER_FIGURES
from jobs.services.ask_once import OF_CHANNELS, steps_met
from jobs.services.events import done_before, log
from jobs.services.next_label import next_label
from jobs.services.removal import put_back, take_out
from jobs.services.saving import Saved, cells_of, open_job, put_cells_back, save_row, write_row
from shop.models import StaffMember
from shop.models.products import SPEAKER_KINDS, ProductKind, SpeakerKind
from shop.services.events import subject_of

MOST_ON_A_CHANNEL: Final = 4


class PartLeft(NamedTuple):
    """A speaker product of the job and how many of it have no place yet."""

    part: JobPart
    left: int


def parts_left(job: Job) -> list[PartLeft]:
    """The job's speaker products, with how many of each are still to be placed."""
    placed: dict[int, int] = {}
    for part_id in job.speakers.exclude(part=None).values_list("part_id", flat=True):
        placed[part_id] = placed.get(part_id, 0) + 1
    return [
        PartLeft(part, max(0, part.quantity - placed.get(part.pk, 0)))
        for part in job.parts.select_related("product").filter(product__kind__in=SPEAKER_KINDS)
    ]


def _next_input(pk: int, part: JobPart) -> dict[str, int]:
    """The input after those that other outputs feed, where none is said for channel `pk`."""
    fed = Channel.objects.filter(feeds_part=part).exclude(pk=pk)
    if Channel.objects.filter(pk=pk).exclude(feeds_input=None).exists():
        return {}
    following = max((row.feeds_input or 0 for row in fed), default=0) + 1
    most = part.product.line_inputs or following
    return {"feeds_input": following} if following <= most else {}


@transaction.atomic
def save_channel(
    number: int,
    pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str,
    join: tuple[str, ...] = ("part",),
    polarity_by: str = "",
) -> Saved:
    """Save cells of one channel. Its speakers go through `put_on` and `take_off`.

    `polarity_by` is how this person proved the last wire: it is put beside a polarity that is
    given without it.
    """
    stamp: dict[str, Any] = {}
    if "polarity_proved" in changes and "polarity_by" not in changes:
        if changes["polarity_proved"] is None:
            changes = {**changes, "polarity_by": ""}
        elif polarity_by and Channel.objects.filter(pk=pk, polarity_by="").exists():
            stamp["polarity_by"] = polarity_by
    if changes.get("feeds_part") is not None and "feeds_input" not in changes:
        changes = {**changes, **_next_input(pk, changes["feeds_part"])}
    saved = write_row(
        Channel,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        join=join,
        stamp=stamp,
    )
    if saved.changed and saved.job is not None and "measured_load_ohm" in changes:
        steps_met(saved.job, actor, OF_CHANNELS)
    return saved


def _set_speakers(
    channel: Channel,
    speakers: Iterable[JobSpeaker],
    actor: StaffMember,
    key: str = "",
    joining: str = "",
) -> Saved:
    """Save the channel's speakers, joined as given or as so many of them need."""
    wanted = list(speakers)
    if len(wanted) > MOST_ON_A_CHANNEL:
        raise Refused(
            gettext("%(channel)s already feeds %(most)s speakers: take one off first.")
            % {"channel": channel, "most": MOST_ON_A_CHANNEL}
        )
    changes: dict[str, Any] = {"speakers": wanted}
    if joining:
        changes["joining"] = joining
    elif len(wanted) < 2:
        changes["joining"] = "single"
    elif channel.joining == "single":
        changes["joining"] = "parallel"
    return save_row(
        Channel,
        channel.pk,
        changes,
        number=channel.job.number,
        actor=actor,
        version=channel.version,
        key=key,
        code="channel.speakers",
    )


def _channel(job: Job, pk: int) -> Channel:
    return Channel.objects.select_related("part", "job").get(pk=pk, job=job)


@transaction.atomic
def put_on(number: int, pk: int, speaker_pk: int, *, actor: StaffMember, key: str = "") -> Saved:
    """Let the channel feed the speaker too. Raises Refused."""
    job = open_job(number)
    channel = _channel(job, pk)
    if channel.kind == Channel.Kind.LINE:
        raise Refused(
            gettext(
                "%(channel)s is a line output: it feeds an amplifier's input, which then "
                "feeds speakers."
            )
            % {"channel": channel}
        )
    speaker = job.speakers.get(pk=speaker_pk)
    return _set_speakers(channel, {*channel.speakers.all(), speaker}, actor, key)


@transaction.atomic
def take_off(number: int, pk: int, speaker_pk: int, *, actor: StaffMember, key: str = "") -> Saved:
    """Let the channel no longer feed the speaker; the speaker keeps its place."""
    channel = _channel(open_job(number), pk)
    return _set_speakers(channel, channel.speakers.exclude(pk=speaker_pk), actor, key)


def from_part(part: JobPart) -> dict[str, Any]:
    """The facts of a speaker as the catalogue has them."""
    product = part.product
    return {
        "part": part,
        "name": str(product)[:80],
        "kind": product.speaker_kind
        or (
            SpeakerKind.SUBWOOFER if product.kind == ProductKind.SUBWOOFER else SpeakerKind.COAXIAL
        ),
        **{name: getattr(product, name) for name in SPEAKER_FIGURES.names},
        "impedance_ohm": product.impedance_ohm or 4.0,
    }


class Placed(NamedTuple):
    """A speaker that was put in its place, and the event that undoes it."""

    speaker: JobSpeaker
    event: JobEvent


def place_speaker(
    job: Job,
    actor: StaffMember,
    *,
    position: str,
    part: JobPart | None = None,
    coil_joining: str = "single",
    facts: dict[str, Any] | None = None,
    passive: str = "",
    channel: Channel | None = None,
    key: str = "",
) -> Placed:
    """Put a speaker at a position in a job the caller holds in this transaction.

    `part` is one of the job's speaker parts; without it `facts` describe a factory speaker that
    stays (name, kind, impedance_ohm and what else is known). `passive` is a line of passive parts
    as it is kept. `channel` is to feed it. Raises
    Refused.
    """
    known = from_part(part) if part is not None else dict(facts or {})
    if known.get("coils", 1) < 2:
        coil_joining = "single"
    speaker = JobSpeaker.objects.create(
        job=job,
        label=next_label(job.speakers, "SP"),
        position=position,
        coil_joining=coil_joining,
        passive=passive,
        **known,
    )
    event = log(
        job,
        actor,
        "speaker.added",
        subject=subject_of(speaker),
        after={
            "label": speaker.label,
            "name": speaker.name,
            "position": speaker.get_position_display(),
            **({"channel": str(channel)} if channel is not None else {}),
        },
        key=key,
    )
    if channel is not None:
        put_on(job.number, channel.pk, speaker.pk, actor=actor)
    return Placed(speaker, event)


@transaction.atomic
def add_speaker(
    number: int,
    actor: StaffMember,
    *,
    position: str,
    part_pk: int | None = None,
    coil_joining: str = "single",
    facts: dict[str, Any] | None = None,
    channel_pk: int | None = None,
    key: str = "",
) -> Placed | None:
    """Put a speaker at a position and on a channel; None when this key was already saved.

    Raises Refused when the part has none left, or the channel cannot take it.
    """
    job = open_job(number)
    if done_before(key):
        return None
    part = None
    if part_pk is not None:
        part_left = next((one for one in parts_left(job) if one.part.pk == part_pk), None)
        if part_left is None or not part_left.left:
            raise Refused(
                gettext(
                    "Every one of that part has a place already: move one, or have the desk "
                    "add more."
                )
            )
        part = part_left.part
    channel = _channel(job, channel_pk) if channel_pk else None
    return place_speaker(
        job,
        actor,
        position=position,
        part=part,
        coil_joining=coil_joining,
        facts=facts,
        channel=channel,
        key=key,
    )


@transaction.atomic
def arrange(
    number: int, pk: int, joining: str, coil_joining: str, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Join the channel's speakers, and the coils of each, in one of the plan's ways."""
    job = open_job(number)
    if done := done_before(key):
        return done
    channel = _channel(job, pk)
    speakers = list(channel.speakers.all())
    before = {
        "joining": channel.joining,
        "coils": {str(speaker.pk): speaker.coil_joining for speaker in speakers},
    }
    _join(channel, joining, {speaker.pk: coil_joining for speaker in speakers}, actor)
    return log(
        job,
        actor,
        "channel.arranged",
        subject=subject_of(channel),
        before=before,
        after={"joining": joining, "coils": coil_joining},
        key=key,
    )


@transaction.atomic
def take_plug(
    number: int,
    pk: int,
    wire: Mapping[str, str],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> Saved:
    """Make two cavities of a plug a channel's wire, not proved here; its event undoes it."""
    return save_row(
        Channel,
        pk,
        {**wire, "polarity_proved": None, "polarity_by": ""},
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="channel.plug",
        join=("part",),
    )


def plug_event(channel: Channel) -> JobEvent | None:
    """What took the channel's wire from a plug last."""
    return JobEvent.objects.filter(
        job=channel.job_id, code="channel.plug", subject=subject_of(channel)
    ).first()


def undo_plug(event: JobEvent, actor: StaffMember) -> None:
    """Put back the wire a channel had before, save what somebody wrote since."""
    put_cells_back(Channel, "channel.changed", event, actor)


def _join(channel: Channel, joining: str, coils: dict[int, str], actor: StaffMember) -> None:
    number = channel.job.number
    changes = {"joining": joining}
    save_row(Channel, channel.pk, changes, number=number, actor=actor, version=0, force=True)
    for speaker_pk, coil_joining in coils.items():
        save_row(
            JobSpeaker,
            speaker_pk,
            {"coil_joining": coil_joining},
            number=number,
            actor=actor,
            version=0,
            force=True,
            code="speaker.changed",
        )


def undo_arrange(event: JobEvent, actor: StaffMember) -> None:
    """Join the channel's speakers as they were joined before."""
    _, pk = event.about
    channel = event.job.channels.select_related("part", "job").filter(pk=pk).first()
    if channel is None:
        raise Refused(gettext("That channel's part is no longer in the job."))
    there = set(event.job.speakers.values_list("pk", flat=True))
    coils = {int(key): way for key, way in event.before["coils"].items() if int(key) in there}
    _join(channel, event.before["joining"], coils, actor)


save_speaker: Final = cells_of(JobSpeaker, "speaker.changed")
"""Save what is known of a speaker, or move it to another position."""


@transaction.atomic
def remove_speaker(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Take a speaker out of its place and off its channels; the event undoes it."""
    job = open_job(number)
    if done := done_before(key):
        return done
    speaker = job.speakers.get(pk=pk)
    fed_by = {}
    for channel in speaker.channels.select_related("part", "job"):
        keys = sorted(channel.speakers.values_list("pk", flat=True))
        left = _set_speakers(channel, channel.speakers.exclude(pk=pk), actor).row.joining
        fed_by[str(channel.pk)] = {"speakers": keys, "joining": channel.joining, "left": left}
    return log(
        job,
        actor,
        "speaker.removed",
        subject=subject_of(speaker),
        before={
            "label": speaker.label,
            "name": speaker.name,
            "fed_by": fed_by,
            **take_out(speaker),
        },
        key=key,
    )


def undo_add(event: JobEvent, actor: StaffMember) -> None:
    """Take away the speaker an event put in."""
    _, pk = event.about
    if event.job.speakers.filter(pk=pk).exists():
        remove_speaker(event.job.number, pk, actor=actor)


def undo_remove(event: JobEvent, actor: StaffMember) -> None:
    """Put back the speaker an event took away with all it had, on the channels that still stand."""
    job = event.job
    label = event.before["label"]
    if job.speakers.filter(label=label).exists():
        label = next_label(job.speakers, "SP")
    speaker = put_back(event.before, label=label)
    assert isinstance(speaker, JobSpeaker)
    log(
        job,
        actor,
        "speaker.added",
        subject=subject_of(speaker),
        after={"label": speaker.label, "name": speaker.name},
    )
    fed_by = event.before["fed_by"]
    for channel in job.channels.select_related("part", "job").filter(pk__in=fed_by):
        was = fed_by[str(channel.pk)]
        speakers = {*channel.speakers.all(), speaker}
        same = {one.pk for one in speakers} == set(was["speakers"])
        joining = was["joining"] if same and channel.joining == was["left"] else ""
        _set_speakers(channel, speakers, actor, joining=joining)


def undo_speakers(event: JobEvent, actor: StaffMember) -> None:
    """Give the channel the speakers it had before an event changed them."""
    _, pk = event.about
    channel = event.job.channels.filter(pk=pk).first()
    if channel is None:
        raise Refused(gettext("That channel's part is no longer in the job."))
    speakers = list(event.job.speakers.filter(pk__in=event.before["speakers"]))
    changes: dict[str, Any] = {"speakers": speakers}
    if "joining" in event.before:
        changes["joining"] = event.before["joining"]
    save_row(
        Channel,
        pk,
        changes,
        number=event.job.number,
        actor=actor,
        version=channel.version,
        force=True,
        code="channel.speakers",
    )
