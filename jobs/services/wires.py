"""Wires of many channels written by one tap: one event, which undoes them."""

from collections.abc import Mapping
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import Channel, Job, JobEvent
from jobs.plan.columns import WIRE_COLUMNS
from jobs.services.events import done_before, log
from jobs.services.saving import current, open_job, save_row, write_row
from shop.models import StaffMember

Wires = Mapping[int, Mapping[str, Any]]
"""Cells of a wire by the key of their channel."""

NOTHING_NEW: Final = "The wires are like that already."


def _channels(job: Job) -> dict[int, Channel]:
    rows = job.channels.select_related("part").order_by("part_id", "kind", "number")
    return {row.pk: row for row in rows}


@transaction.atomic
def write_wires(
    number: int,
    wires: Wires,
    *,
    actor: StaffMember,
    versions: Mapping[int, int] | None = None,
    key: str = "",
) -> JobEvent:
    """Write cells of several channels' wires, all or none of them.

    `versions` are those the rows had on the page of whoever writes. Where what stood of a wire
    gives way, its polarity is not proved any more. A repeat of a key changes nothing and gives
    the event of the first time. Raises Refused when nothing is new or a channel is gone,
    ChangedMeanwhile when somebody else wrote one of the cells since.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    channels = _channels(job)
    before: dict[str, dict[str, Any]] = {}
    after: dict[str, dict[str, Any]] = {}
    for pk, cells in wires.items():
        channel = channels.get(pk)
        if channel is None:
            raise Refused(gettext("A channel is no longer in the plan: load the page again."))
        new = {name: value for name, value in cells.items() if current(channel, name) != value}
        if not new:
            continue
        if any(getattr(channel, name) for name in new if name in WIRE_COLUMNS):
            new |= {"polarity_proved": None, "polarity_by": ""}
        old = {name: current(channel, name) for name in new}
        saved = write_row(
            Channel,
            pk,
            new,
            number=number,
            actor=actor,
            version=(versions or {}).get(pk, channel.version),
            key=f"{key}-{pk}" if key else "",
        )
        if saved.clashes:
            who = saved.clashes[0].actor
            raise ChangedMeanwhile(
                gettext(
                    "%(who)s wrote the wire of %(channel)s meanwhile: look at the row, then "
                    "write again."
                )
                % {"who": who, "channel": channel}
            )
        new = {name: value for name, value in new.items() if old[name] != value}
        before[str(pk)] = {name: old[name] for name in new}
        after[str(pk)] = new
    if not after:
        raise Refused(NOTHING_NEW)
    told = ", ".join(str(row) for row in channels.values() if str(row.pk) in after)
    return log(
        job,
        actor,
        "wires.written",
        before={"wires": before},
        after={"channels": told, "wires": after},
        key=key,
    )


def rows_below(job: Job, pk: int) -> list[Channel]:
    """The channels below one on the same device that may have a wire of their own.

    Where some channel of the device feeds something, those that feed nothing are left out.
    """
    channels = _channels(job)
    first = channels.get(pk)
    if first is None:
        raise Refused(gettext("That channel is no longer in the plan: load the page again."))
    rows = channels.values()
    device = [row for row in rows if (row.part_id, row.kind) == (first.part_id, first.kind)]
    feeding = set(
        Channel.speakers.through.objects.filter(channel__in=device).values_list(
            "channel", flat=True
        )
    ) | {row.pk for row in device if row.feeds_part_id}
    below = device[device.index(first) + 1 :]
    return [row for row in below if row.pk in feeding] if feeding else below


@transaction.atomic
def fill_down(
    number: int, pk: int, name: str, value: Any, *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Write one cell of a channel's wire into the empty ones below it, on the same device.

    Raises Refused when there is nothing to write or no row to fill.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    if not value:
        raise Refused(gettext("That cell is empty: write it first, then fill down."))
    rows = [row for row in rows_below(job, pk) if not getattr(row, name)]
    if not rows:
        raise Refused(gettext("No row below on this device has that cell empty."))
    return write_wires(number, {row.pk: {name: value} for row in rows}, actor=actor, key=key)


def undo_wires(event: JobEvent, actor: StaffMember) -> None:
    """Put back what the wires were before, save what somebody wrote since."""
    channels = _channels(event.job)
    for pk, old in event.before["wires"].items():
        channel = channels.get(int(pk))
        if channel is None:
            continue
        written = event.after["wires"][pk]
        back = {
            name: value for name, value in old.items() if current(channel, name) == written[name]
        }
        if back:
            save_row(
                Channel,
                channel.pk,
                back,
                number=event.job.number,
                actor=actor,
                version=channel.version,
                force=True,
            )
