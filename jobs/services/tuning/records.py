"""Tuning records: settings as found and as left, named working records between them."""

from collections.abc import Iterable
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import (
    Channel,
    ChannelSetting,
    Job,
    JobEvent,
    OtherSetting,
    TuningKind,
    TuningRecord,
)
from jobs.services.events import done_before, log
from jobs.services.removal import facts_in
from jobs.services.saving import Saved, cells_of, open_job, save_row
from shop.models import StaffMember
from shop.services.events import subject_of

SETTING_FACTS: Final = facts_in(ChannelSetting, "record", "channel")


def record_of(job: Job, kind: str, actor: StaffMember | None = None) -> TuningRecord:
    """The job's record as found or as left, made when the job has none yet."""
    return job.tuning_records.get_or_create(
        kind=kind, defaults={"name": TuningKind(kind).label, "by": actor}
    )[0]


def save_setting(
    number: int,
    kind: str,
    channel_pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
    code: str = "setting.changed",
    force: bool = False,
) -> Saved:
    """Save settings of one channel, as found or as left; the row is made with its first value."""
    where = {"record__kind": kind, "channel": channel_pk}
    for _ in range(2):
        try:
            return save_row(
                ChannelSetting,
                where,
                changes,
                number=number,
                actor=actor,
                version=version,
                key=key,
                code=code,
                job_path="record__job",
                force=force,
            )
        except ChannelSetting.DoesNotExist:
            _make_setting(number, kind, channel_pk, actor)
    raise ChannelSetting.DoesNotExist


@transaction.atomic
def _make_setting(number: int, kind: str, channel_pk: int, actor: StaffMember) -> None:
    job = open_job(number)
    channel = Channel.objects.get(pk=channel_pk, job=job)
    record_of(job, kind, actor).settings.get_or_create(channel=channel)


def facts_of(setting: ChannelSetting | None) -> dict[str, Any]:
    """All settings of a channel as plain values; of one never set, those that do nothing."""
    row = setting or ChannelSetting()
    return {name: getattr(row, name) for name in SETTING_FACTS}


def drop_empty(record: TuningRecord, channel_ids: Iterable[int]) -> None:
    """Take away the settings of channels that had none, where they say nothing again."""
    nothing = facts_of(None)
    for row in record.settings.filter(channel__in=list(channel_ids)):
        if facts_of(row) == nothing:
            row.delete()


def _settings(record: TuningRecord) -> dict[int, dict[str, Any]]:
    return {row.channel_id: facts_of(row) for row in record.settings.all()}


@transaction.atomic
def keep_as_working(
    number: int, name: str, *, actor: StaffMember, note: str = "", key: str = ""
) -> TuningRecord | None:
    """Keep the present settings under a name; None when this key was already saved."""
    job = open_job(number)
    if done_before(key):
        return None
    name = name.strip()
    if not name:
        raise Refused(gettext("Give the record a name, such as “before the road test”."))
    source = record_of(job, TuningKind.AFTER, actor)
    try:
        with transaction.atomic():
            kept = TuningRecord.objects.create(
                job=job, kind=TuningKind.WORKING, name=name, note=note, by=actor
            )
    except IntegrityError:
        raise Refused(
            gettext("This job already has a record named “%(name)s”: choose another.")
            % {"name": name}
        ) from None
    ChannelSetting.objects.bulk_create(
        ChannelSetting(record=kept, channel_id=channel_id, **facts)
        for channel_id, facts in _settings(source).items()
    )
    log(job, actor, "record.kept", subject=subject_of(kept), after={"name": name}, key=key)
    return kept


@transaction.atomic
def return_to(number: int, pk: int, *, actor: StaffMember, key: str = "") -> JobEvent:
    """Copy a record into the present settings; the event undoes it."""
    job = open_job(number)
    if done := done_before(key):
        return done
    source = job.tuning_records.get(pk=pk)
    now = record_of(job, TuningKind.AFTER, actor)
    before = _settings(now)
    wanted = _settings(source)
    for channel_id in sorted({*before, *wanted}):
        own_key = f"{key}-{channel_id}" if key else ""
        _put(number, channel_id, wanted.get(channel_id) or facts_of(None), actor, own_key)
    return log(
        job,
        actor,
        "record.returned",
        subject=subject_of(source),
        before={"settings": {str(channel_id): facts for channel_id, facts in before.items()}},
        after={"name": source.name},
        key=key,
    )


def _put(
    number: int, channel_id: int, facts: dict[str, Any], actor: StaffMember, key: str = ""
) -> None:
    save_setting(
        number, TuningKind.AFTER, channel_id, facts, actor=actor, version=0, key=key, force=True
    )


def undo_return(event: JobEvent, actor: StaffMember) -> None:
    """Put back the settings that stood before a record was returned to."""
    job = event.job
    before = {int(channel_id): facts for channel_id, facts in event.before["settings"].items()}
    now = record_of(job, TuningKind.AFTER, actor)
    for channel_id in sorted({*before, *_settings(now)}):
        if job.channels.filter(pk=channel_id).exists():
            _put(job.number, channel_id, before.get(channel_id) or facts_of(None), actor)
    drop_empty(now, _settings(now).keys() - before.keys())


save_other: Final = cells_of(OtherSetting, "othersetting.changed")
"""Save a setting outside the channels, as found or as left."""


@transaction.atomic
def add_other(
    number: int, name: str, before: str, *, actor: StaffMember, key: str = ""
) -> OtherSetting | None:
    """Add a setting outside the channels; None when this key was already saved."""
    job = open_job(number)
    if done_before(key):
        return None
    try:
        with transaction.atomic():
            row = OtherSetting.objects.create(job=job, name=name, before=before)
    except IntegrityError:
        raise Refused(gettext("“%(name)s” is already in the table.") % {"name": name}) from None
    after = {"name": name, "before": before}
    log(job, actor, "othersetting.added", subject=subject_of(row), after=after, key=key)
    return row
