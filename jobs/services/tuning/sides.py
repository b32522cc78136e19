"""Left and right set together, and settings copied from one channel to others.

What belongs to the kind of speaker is copied: crossovers, level, equaliser. What belongs to one
side stays there unless it is asked for by name: the delay follows from the way to the seat, the
polarity from the wire, and a mute is for listening to one side alone. Common practice, no source.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Channel, JobEvent, TuningKind
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, as_json, open_job
from jobs.services.tuning.records import facts_of, record_of, save_setting
from jobs.services.tuning.settings import put_settings
from shop.models import StaffMember
from shop.wording import listed

WHAT: Final[dict[str, tuple[str, ...]]] = {
    "crossovers": (
        "high_pass_family",
        "high_pass_order",
        "high_pass_hz",
        "low_pass_family",
        "low_pass_order",
        "low_pass_hz",
    ),
    "level": ("level_db",),
    "equaliser": ("sections",),
    "delay": ("delay_ms",),
    "polarity": ("inverted",),
}
"""What can be copied, each with its fields; a mute cannot."""

ALIKE: Final = ("crossovers", "level", "equaliser")
"""What both sides of a pair mostly have in common."""

_SHARED: Final = frozenset(name for what in ALIKE for name in WHAT[what])


class Both(NamedTuple):
    """What became of an entry on one side and of the same on the other.

    `other` is None where nothing of the entry belongs to both sides; `event` undoes both, and is
    None where the other side did not change.
    """

    own: Saved
    other: Saved | None
    event: JobEvent | None


def shared(changes: Mapping[str, Any]) -> dict[str, Any]:
    """Those of the changes that belong to both sides."""
    return {name: value for name, value in changes.items() if name in _SHARED}


@transaction.atomic
def set_both(
    number: int,
    channel_pk: int,
    other_pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    other_version: int,
    key: str = "",
    code: str = "setting.changed",
) -> Both:
    """Save an entry on one channel, and what of it belongs to both sides on the other too.

    Each side is compared with what somebody else wrote there meanwhile, by its own version; where
    that is another value it stays, on that side alone. A repeat of a key changes nothing.
    """
    job = open_job(number)
    pks = (channel_pk, other_pk)
    rows = {row.channel_id: row for row in record_of(job, TuningKind.AFTER).settings.all()}
    before = {pk: facts_of(rows.get(pk)) for pk in pks}
    by: dict[str, Any] = {"actor": actor, "code": code}
    kind = TuningKind.AFTER
    own = save_setting(number, kind, channel_pk, changes, version=version, key=key, **by)
    clashed = {clash.field for clash in own.clashes}
    wanted = {name: value for name, value in shared(changes).items() if name not in clashed}
    if not wanted:
        return Both(own, None, None)
    other_key = f"{key}-side" if key else ""
    other = save_setting(number, kind, other_pk, wanted, version=other_version, key=other_key, **by)
    event = done_before(f"{key}-both" if key else "")
    if event is None and other.changed:
        after = {channel_pk: facts_of(own.row), other_pk: facts_of(other.row)}
        changed = {
            pk: [name for name in after[pk] if after[pk][name] != before[pk][name]] for pk in pks
        }
        channels = {row.pk: row.plan_id for row in job.channels.select_related("part")}
        event = log(
            job,
            actor,
            "setting.sides",
            before={
                "settings": _told(before, changed),
                "unset": [pk for pk in pks if pk not in rows],
            },
            after={
                "channels": ", ".join(channels[pk] for pk in pks if changed[pk]),
                "settings": _told(after, changed),
            },
            key=f"{key}-both" if key else "",
        )
    return Both(own, other, event)


def _told(facts: dict[int, dict[str, Any]], changed: dict[int, list[str]]) -> dict[str, Any]:
    return {
        str(pk): {name: as_json(facts[pk][name]) for name in names}
        for pk, names in changed.items()
        if names
    }


def fields_of(what: Iterable[str]) -> list[str]:
    """The fields of what is to be copied."""
    return [name for one, names in WHAT.items() if one in set(what) for name in names]


@transaction.atomic
def copy_settings(
    number: int,
    source_pk: int,
    target_pks: Iterable[int],
    what: Iterable[str],
    *,
    actor: StaffMember,
    key: str = "",
) -> JobEvent:
    """Copy settings of one channel to others in the after record: one event, which undoes it.

    A repeat of a key changes nothing and gives the event of the first time. Raises Refused where
    nothing is chosen, nothing would change, or an equaliser has too few sections.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    names = fields_of(what)
    if not names:
        raise Refused(
            gettext("Choose what to copy: crossovers, level, equaliser, delay or polarity.")
        )
    channels = {row.pk: row for row in job.channels.select_related("part__product")}
    targets = [channels[pk] for pk in dict.fromkeys(target_pks) if pk in channels]
    targets = [one for one in targets if one.pk != source_pk]
    if source_pk not in channels or not targets:
        raise Refused(gettext("Choose the channels to copy to."))
    record = record_of(job, TuningKind.AFTER)
    facts = facts_of(record.settings.filter(channel=source_pk).first())
    if "sections" in names:
        refuse_too_few(targets, len(facts["sections"]))
    values = {name: facts[name] for name in names}
    changes = {one.plan_id: values for one in targets}
    return put_settings(number, changes, code="setting.copied", actor=actor, key=key)


def refuse_too_few(targets: list[Channel], count: int) -> None:
    """Raise Refused where a channel's processor has fewer sections than are to be copied."""
    few = [
        one
        for one in targets
        if one.part.product.max_sections is not None and one.part.product.max_sections < count
    ]
    if few:
        most = few[0].part.product.max_sections
        raise Refused(
            gettext(
                "%(few)s: %(most)s sections a channel, and %(count)s are to be copied. "
                "Copy without the equaliser, or take sections out first."
            )
            % {"few": listed(few), "most": most, "count": count}
        )
