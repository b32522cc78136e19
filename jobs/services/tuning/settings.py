"""Many settings of the after record changed by one tap: one event, which undoes them."""

from collections.abc import Mapping
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Channel, Job, JobEvent, TuningKind
from jobs.services.events import done_before, log
from jobs.services.saving import as_json, open_job
from jobs.services.tuning.records import drop_empty, facts_of, record_of, save_setting
from shop.models import StaffMember

Changes = Mapping[str, Mapping[str, Any]]
"""Fields of the after record by the plan id of their channel."""

NOTHING_NEW: Final = "The settings are like that already."


def _present(job: Job) -> dict[int, Any]:
    record = record_of(job, TuningKind.AFTER)
    return {row.channel_id: row for row in record.settings.all()}


@transaction.atomic
def put_settings(
    number: int, changes: Changes, *, code: str, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Write the changes into the after record. Raises Refused when there is nothing to change.

    A repeat of a key changes nothing and gives the event of the first time.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    channels = {row.plan_id: row for row in job.channels.select_related("part")}
    present = _present(job)
    before: dict[str, dict[str, Any]] = {}
    after: dict[str, dict[str, Any]] = {}
    for plan_id, fields in changes.items():
        channel = channels.get(plan_id)
        if channel is None:
            raise Refused(
                gettext("Channel %(plan_id)s is no longer in the plan: load the page again.")
                % {"plan_id": plan_id}
            )
        old = facts_of(present.get(channel.pk))
        new = {name: value for name, value in fields.items() if old[name] != value}
        if new:
            before[str(channel.pk)] = {name: as_json(old[name]) for name in new}
            after[str(channel.pk)] = {name: as_json(value) for name, value in new.items()}
            _write(number, channel.pk, new, actor, f"{key}-{channel.pk}" if key else "")
    if not after:
        raise Refused(NOTHING_NEW)
    told = ", ".join(row.plan_id for row in channels.values() if str(row.pk) in after)
    return log(
        job,
        actor,
        code,
        before={"settings": before, "unset": [pk for pk in map(int, before) if pk not in present]},
        after={"channels": told, "settings": after},
        key=key,
    )


def _write(
    number: int, channel_pk: int, fields: dict[str, Any], actor: StaffMember, key: str = ""
) -> None:
    save_setting(
        number, TuningKind.AFTER, channel_pk, fields, actor=actor, version=0, key=key, force=True
    )


def undo_settings(event: JobEvent, actor: StaffMember) -> None:
    """Put back what stood before, save what somebody changed since."""
    job = event.job
    present = _present(job)
    kept = set(Channel.objects.filter(job=job).values_list("pk", flat=True))
    for channel_key, old in event.before["settings"].items():
        channel_pk = int(channel_key)
        if channel_pk not in kept:
            continue
        now = facts_of(present.get(channel_pk))
        put_in = event.after["settings"][channel_key]
        back = {name: value for name, value in old.items() if as_json(now[name]) == put_in[name]}
        if back:
            _write(job.number, channel_pk, back, actor)
    drop_empty(record_of(job, TuningKind.AFTER), event.before.get("unset", ()))
