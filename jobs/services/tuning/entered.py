"""Settings typed into a processor's own program: ticked as entered, read back, stored.

A tick keeps what stood in the line when it was made; whether it still counts is worked out against
the settings. Somebody else's tick of the same line is no clash: each is in the log.
"""

import hashlib
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

from django.db import transaction
from django.db.models import F, Max
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import EnteredSetting, Job, JobEvent, JobPart
from jobs.plan.document import plan_of
from jobs.plan.entered import Entry, EntryList, lists_of
from jobs.services import ask_once
from jobs.services.entry_step import add_entry_step
from jobs.services.events import done_before, log
from jobs.services.saving import Saved, check_open, locked_job, open_job, save_row
from jobs.services.tuning.beyond import (
    put_beyond,
    put_beyond_back,
    said_beyond,
)
from shop.models import Shop, StaffMember
from shop.services.events import subject_of
from wiring.plan import Plan

SAME: Final = "entry.same"
LOADED: Final = "entry.loaded"
STORED: Final = "entry.stored"
MOST_CELLS: Final = 4
MOST_TEXT: Final = 40

Rows = dict[tuple[str, str], EnteredSetting]


def rows_of(job: Job) -> Rows:
    """What was entered and read back, by channel id and setting."""
    rows = EnteredSetting.objects.filter(channel__job=job)
    rows = rows.select_related("channel__part", "typed_by", "shown_by")
    return {(row.channel.plan_id, row.what): row for row in rows}


def entry_lists(job: Job, plan: Plan | None = None, typed_by: str = "") -> list[EntryList]:
    """The entry list of each part whose limits are on record."""
    return lists_of(plan or plan_of(job), rows_of(job), typed_by)


def list_of(job: Job, label: str, plan: Plan | None = None) -> EntryList:
    """The list of one part. Raises Refused where it has none."""
    for one in entry_lists(job, plan):
        if one.device.id == label:
            return one
    raise Refused(gettext("Nothing is on record any more of what its program takes."))


class Held(NamedTuple):
    """A job locked, with its plan and what was entered as they were read since."""

    job: Job
    plan: Plan
    rows: Rows


def held(number: int, shop: Shop) -> Held:
    """Lock a job and read what its entry lists are of. Call inside a transaction."""
    job = locked_job(number)
    return Held(job, plan_of(job, shop=shop), rows_of(job))


def seen(entries: Sequence[Entry]) -> str:
    """A short mark of what a page says is to be typed."""
    told = [(one.line.channel_id, one.line.what, one.line.texts) for one in entries]
    return hashlib.sha256(repr(sorted(told)).encode()).hexdigest()[:16]


def _is_line(texts: Any) -> bool:
    return (
        isinstance(texts, list)
        and 0 < len(texts) <= MOST_CELLS
        and all(isinstance(one, str) and len(one) <= MOST_TEXT for one in texts)
    )


@transaction.atomic
def save_entry(
    number: int,
    channel_pk: int,
    what: str,
    changes: dict[str, Any],
    *,
    wanted: Any,
    actor: StaffMember,
    version: int,
    key: str = "",
    held: Held | None = None,
) -> Saved:
    """Tick a line as entered, or say what its program shows; `wanted` are the cells as they stood
    in the line that was tapped. `held` spares reading again what was read in this transaction.

    `changes` are `typed`, `same` (each yes or no) and `f0` to `f3`, the cells that the program
    shows. Raises Refused when the sheet is closed or `wanted` is no line.
    """
    job = held.job if held else locked_job(number)
    check_open(job)
    if not _is_line(wanted):
        raise Refused(gettext("This line came without its figures: load the page again."))
    row = _row(job, channel_pk, what, held)
    now = timezone.now()
    fields: dict[str, Any] = {}
    stamp: dict[str, Any] = {}
    if "typed" in changes:
        fields["typed"] = wanted if changes["typed"] else []
        stamp |= {"typed_by": actor, "typed_at": now}
        if changes["typed"] and row.shown and list(row.shown) != wanted:
            fields["shown"] = []
    if "same" in changes:
        fields["shown"] = wanted if changes["same"] else []
    cells = {place: changes[f"f{place}"] for place in range(MOST_CELLS) if f"f{place}" in changes}
    if cells:
        shown = list(row.shown) if len(row.shown) == len(wanted) else list(wanted)
        for place, text in cells.items():
            if place < len(shown):
                shown[place] = text
        fields["shown"] = shown
    if "shown" in fields:
        stamp |= {"shown_by": actor, "shown_at": now}
    saved = save_row(
        EnteredSetting,
        row.pk,
        fields,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="entry.typed" if "typed" in changes else "entry.read",
        job_path="channel__job",
        stamp=stamp,
        force=True,
        opens=lambda _: job,
    )
    if saved.changed:
        add_entry_step(job)
        ask_once.steps_met(job, actor, ask_once.OF_ENTRIES, held.plan if held else None)
    return saved


def _row(job: Job, channel_pk: int, what: str, held: Held | None) -> EnteredSetting:
    """The row of a line, made where there is none yet."""
    if held:
        for row in held.rows.values():
            if (row.channel_id, row.what) == (channel_pk, what):
                return row
        # Nobody else makes it meanwhile: whoever does has the job locked.
        return EnteredSetting.objects.create(channel_id=channel_pk, what=what, version=0)
    channel = job.channels.get(pk=channel_pk)
    row, _ = EnteredSetting.objects.get_or_create(
        channel=channel, what=what, defaults={"version": 0}
    )
    return row


Change = Callable[[Entry], dict[str, Any] | None]
"""What a tap on a whole list makes of one of its lines; None where it leaves it alone."""


def _same(entry: Entry) -> dict[str, Any] | None:
    texts = list(entry.line.texts)
    return None if list(entry.shown) == texts else {"shown": texts}


def _loaded(entry: Entry) -> dict[str, Any] | None:
    return None if entry.ticked else {"typed": list(entry.line.texts)}


_DO: Final[dict[str, Change]] = {SAME: _same, LOADED: _loaded}


@transaction.atomic
def enter_all(
    number: int,
    part_pk: int,
    code: str,
    *,
    shown: str,
    actor: StaffMember,
    channel_id: str = "",
    key: str = "",
    shop: Shop | None = None,
) -> JobEvent:
    """Say of every line of a part, or of one channel of it, that its program shows what is set
    (SAME), or that all came with a file that was loaded (LOADED). The event undoes it. The same of
    a whole part says too that nothing else is set in it.

    `shown` is the mark of the list as the page showed it. Raises Refused where the settings are
    others by now, where nothing is left to say, or when the sheet is closed.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    part = job.parts.get(pk=part_pk)
    plan = plan_of(job, shop=shop)
    entries = list_of(job, part.label, plan).entries
    if channel_id:
        entries = [one for one in entries if one.line.channel_id == channel_id]
    if seen(entries) != shown:
        raise Refused(
            gettext("The settings changed meanwhile: look at the list as it is now, then say so.")
        )
    channels = {row.plan_id: row for row in job.channels.select_related("part")}
    said: list[tuple[EnteredSetting, str, list[str]]] = []
    now = timezone.now()
    for entry in entries:
        fields = _DO[code](entry)
        if fields is None:
            continue
        line = entry.line
        row = entry.row or EnteredSetting(channel=channels[line.channel_id], what=line.what)
        (name,) = fields
        said.append((row, name, getattr(row, name)))
        setattr(row, name, fields[name])
        setattr(row, f"{name}_by", actor)
        setattr(row, f"{name}_at", now)
        row.version = row.version + 1 if row.pk else 1
    _keep_all([row for row, _, _ in said])
    before = {str(row.pk): {name: old} for row, name, old in said}
    after = {str(row.pk): {name: getattr(row, name)} for row, name, _ in said}
    was = said_beyond(part) if code == SAME and not channel_id else ""
    beyond = was != ""
    if not after and not beyond:
        raise Refused(gettext("That is said of every line already."))
    if beyond:
        put_beyond(part, "", actor)
    add_entry_step(job)
    event = log(
        job,
        actor,
        code,
        subject=subject_of(part),
        before={"rows": before, **({"beyond": was} if beyond else {})},
        after={
            "part": channel_id or part.label,
            "count": len(after),
            "rows": after,
            **({"beyond": ""} if beyond else {}),
        },
        key=key,
    )
    ask_once.steps_met(job, actor, ask_once.OF_ENTRIES, plan)
    return event


def _keep_all(rows: Sequence[EnteredSetting]) -> None:
    """Write lines in two queries, however many; new ones get their keys."""
    known = [row for row in rows if row.pk is not None]
    EnteredSetting.objects.bulk_create([row for row in rows if row.pk is None])
    if known:
        names = ("typed", "typed_by", "typed_at", "shown", "shown_by", "shown_at", "version")
        EnteredSetting.objects.bulk_update(known, names)


def undo_enter_all(event: JobEvent, actor: StaffMember) -> None:
    """Take back what was said of a whole list, save of lines somebody spoke of since."""
    rows = EnteredSetting.objects.filter(channel__job=event.job_id).in_bulk(
        [int(pk) for pk in event.before["rows"]]
    )
    for key, fields in event.before["rows"].items():
        row = rows.get(int(key))
        if row is None:
            continue
        for name, value in fields.items():
            if getattr(row, name) == event.after["rows"][key][name]:
                EnteredSetting.objects.filter(pk=row.pk).update(
                    **{name: value}, version=F("version") + 1
                )
    put_beyond_back(event, actor)
    ask_once.steps_met(locked_job(event.job.number), actor, ask_once.OF_ENTRIES)


@transaction.atomic
def store_state(
    number: int,
    part_pk: int,
    name: str,
    slot: str,
    *,
    device: str,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> JobPart:
    """Note under which name and in which slot a processor keeps the state, who stored it, when and
    from which device. Without a name it is taken back. Raises Refused."""
    job = open_job(number)
    part = JobPart.objects.select_for_update().get(pk=part_pk, job=job)
    if done_before(key):
        return part
    now = (part.state_name, part.state_slot)
    if part.version != version and now != (name, slot) and part.state_by_id not in (None, actor.pk):
        raise Refused(
            gettext("%(who)s noted “%(name)s” meanwhile: look at it, then note yours.")
            % {"who": part.state_by, "name": part.state_name}
        )
    if not name and slot:
        raise Refused(gettext("Give the name under which the processor keeps it."))
    before = {"state_name": now[0], "state_slot": now[1]}
    part.state_name, part.state_slot = name, slot
    part.state_by = actor if name else None
    part.state_at = timezone.now() if name else None
    part.state_device = device[:60] if name else ""
    part.version += 1
    part.save()
    log(
        job,
        actor,
        STORED,
        subject=subject_of(part),
        before=before,
        after={
            "state_name": name,
            "state_slot": slot,
            "state_device": part.state_device,
            "version": part.version,
        },
        key=key,
    )
    return part


def stored_before_last_tick(part: JobPart) -> bool:
    """Something was entered after the state was stored."""
    rows = EnteredSetting.objects.filter(channel__part=part).exclude(typed=[])
    last = rows.aggregate(last=Max("typed_at"))["last"]
    return part.state_at is not None and last is not None and last > part.state_at
