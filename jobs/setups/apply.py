"""A saved setup taken over into jobs: shown first, written in one transaction, undone in one step.

A setup is copied, never referenced: changing one changes no job.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from django.db import transaction
from django.db.models import F
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import (
    AdapterLead,
    AdapterWire,
    Channel,
    ChannelSetting,
    Job,
    JobEvent,
    JobPart,
    JobSpeaker,
    ListeningSeat,
    OtherSetting,
    Panel,
    PowerRun,
    SavedSetup,
    SeatDistance,
    SetupUse,
    SupplyFacts,
    TuningKind,
)
from jobs.plan.columns import SPEAKER_FIGURES, WIRE_COLUMNS
from jobs.plan.passive import passive_text
from jobs.services.channels import place_speaker, undo_add
from jobs.services.events import log
from jobs.services.power import add_run, undo_add as undo_add_run
from jobs.services.saving import before_check_in, current, open_job, save_row
from jobs.services.tuning.records import record_of
from jobs.setups.compare import compare
from jobs.setups.document import SetupError
from jobs.setups.items import Comparison, Item
from jobs.setups.parts import add_lacking
from shop.models import StaffMember
from shop.services.events import subject_of

ROWS: Final[dict[str, tuple[type[Any], str]]] = {
    "channel": (Channel, "job"),
    "channelsetting": (ChannelSetting, "record__job"),
    "powerrun": (PowerRun, "job"),
    "supplyfacts": (SupplyFacts, "job"),
    "jobpart": (JobPart, "job"),
    "othersetting": (OtherSetting, "job"),
    "panel": (Panel, "job"),
    "adapterlead": (AdapterLead, "job"),
    "adapterwire": (AdapterWire, "adapter__job"),
    "listeningseat": (ListeningSeat, "job"),
    "seatdistance": (SeatDistance, "seat__job"),
}
"""Rows that applying a setup changes, and the way from each to its job."""


@dataclass(frozen=True)
class Applied:
    """Titles of what was taken and of what was left, by group; `event` undoes it."""

    event: JobEvent
    taken: dict[str, list[str]]
    left: dict[str, list[str]]


def preview(setup: SavedSetup, job: Job) -> Comparison:
    """What applying would do, item by item. Raises Refused.

    A setup of another year, trim or package of the same make and model may be looked at: its
    differences are marked where it is offered. Another model is refused.
    """
    mine, theirs = setup.vehicle_model, job.vehicle.vehicle_model
    if (mine.make, mine.model) != (theirs.make, theirs.model):
        raise Refused(
            gettext("This setup is for %(mine)s; the car of %(job)s is another model.")
            % {"mine": mine, "job": job}
        )
    if setup.is_withdrawn:
        raise Refused(
            gettext("“%(setup)s” is withdrawn: %(state_reason)s")
            % {"setup": setup, "state_reason": setup.state_reason}
        )
    try:
        return compare(setup, job)
    except SetupError as error:
        raise Refused(str(error)) from None


class _Writer:
    """Writes the taken items into one job, and keeps the events that undo them."""

    def __init__(self, job: Job, comparison: Comparison, actor: StaffMember) -> None:
        self.job = job
        self.comparison = comparison
        self.actor = actor
        self.speakers = {
            name: one.placed.pk
            for name, one in comparison.matches.speakers.items()
            if one.placed is not None
        }
        self.events: list[int] = []
        self.new_settings: list[int] = []
        self.wires: list[int] = []

    def _save(self, model: type[Any], pk: int, values: dict[str, Any], job_path: str) -> None:
        saved = save_row(
            model,
            pk,
            values,
            number=self.job.number,
            actor=self.actor,
            version=0,
            force=True,
            job_path=job_path,
            code=f"{model._meta.model_name}.from_setup",
        )
        if saved.changed:
            row = subject_of(saved.row)
            newest = self.job.events.filter(subject=row).values_list("pk", flat=True).first()
            assert newest is not None
            self.events.append(newest)

    def speaker(self, item: Item) -> None:
        one = item.extra
        if one.placed is not None:
            return
        wanted = one.speaker
        facts = None
        if one.part is None:
            facts = {
                name: getattr(wanted, name) for name in ("name", "kind", *SPEAKER_FIGURES.names)
            }
        placed = place_speaker(
            self.job,
            self.actor,
            position=wanted.position,
            part=one.part,
            coil_joining=wanted.coil_joining,
            facts=facts,
            passive=passive_text(wanted.passive),
        )
        self.speakers[wanted.id] = placed.speaker.pk
        self.events.append(placed.event.pk)

    def channel(self, item: Item) -> None:
        assert item.target is not None
        speakers = list(JobSpeaker.objects.filter(pk__in=[self.speakers[n] for n in item.extra]))
        self._save(Channel, item.target, {**item.values, "speakers": speakers}, "job")
        if any(item.values.get(name) for name in WIRE_COLUMNS):
            self.wires.append(item.target)

    def setting(self, item: Item) -> None:
        assert item.target is not None
        record = record_of(self.job, TuningKind.AFTER, self.actor)
        row, is_new = ChannelSetting.objects.get_or_create(record=record, channel_id=item.target)
        if is_new:
            self.new_settings.append(row.pk)
        self._save(ChannelSetting, row.pk, dict(item.values), "record__job")

    def supply(self, item: Item) -> None:
        assert item.target is not None
        self._save(SupplyFacts, item.target, dict(item.values), "job")

    def turn_on(self, item: Item) -> None:
        assert item.target is not None
        self._save(JobPart, item.target, dict(item.values), "job")

    def fact(self, item: Item) -> None:
        assert item.target is not None
        self._save(JobPart, item.target, dict(item.values), "job")

    def distance(self, item: Item) -> None:
        """Listen from the seat, and the way to it from each speaker."""
        values = {"weight": item.values["weight"], "used": True}
        seat, is_new = ListeningSeat.objects.get_or_create(
            job=self.job, place=item.values["place"], defaults=values
        )
        if is_new:
            self._made(seat, "seat.from_setup", values)
        else:
            self._save(ListeningSeat, seat.pk, values, "job")
        for name, distance_m in item.extra.items():
            row, is_new = SeatDistance.objects.get_or_create(
                seat=seat, speaker_id=self.speakers[name], defaults={"distance_m": distance_m}
            )
            if is_new:
                self._made(row, "distance.from_setup", {"distance_m": distance_m})
            else:
                self._save(SeatDistance, row.pk, {"distance_m": distance_m}, "seat__job")

    def _made(self, row: Any, code: str, values: dict[str, Any]) -> None:
        """Keep that a row was made, so that undoing takes it away."""
        after = {**values, "version": row.version}
        event = log(self.job, self.actor, code, subject=subject_of(row), after=after)
        self.events.append(event.pk)

    def run(self, item: Item) -> None:
        if item.target is not None:
            self._save(PowerRun, item.target, dict(item.values), "job")
            return
        event = add_run(self.job.number, dict(item.values), actor=self.actor)
        self.events.append(event.pk)

    def other(self, item: Item) -> None:
        if item.target is not None:
            self._save(OtherSetting, item.target, dict(item.values), "job")
            return
        row = OtherSetting.objects.create(job=self.job, name=item.title, **item.values)
        self._made(row, "othersetting.from_setup", {"name": row.name, **item.values})

    def adapter(self, item: Item) -> None:
        ends = {name: item.extra[name] for name in ("name", "from_plug", "to_plug")}
        lead = AdapterLead.objects.create(job=self.job, **ends)
        self._made(lead, "adapter.from_setup", ends)
        for one in item.extra["wires"]:
            wire = AdapterWire.objects.create(adapter=lead, **one)
            self._made(wire, "adapter.from_setup", dict(one))

    def panel(self, item: Item) -> None:
        row = Panel.objects.create(job=self.job, name=item.title, **item.values)
        self._made(row, "panel.from_setup", {"name": row.name, **item.values})

    def write(self, item: Item) -> None:
        """Write one item; a matched device needs no writing."""
        kind = item.key.partition(":")[0]
        if kind != "device":
            getattr(self, kind)(item)


def _in_order(items: Iterable[Item]) -> list[Item]:
    order = (
        *("device", "fact", "speaker", "channel", "setting", "supply", "turn_on", "run"),
        *("distance", "adapter", "panel", "other"),
    )
    return sorted(items, key=lambda item: order.index(item.key.partition(":")[0]))


@transaction.atomic
def apply_setup(
    job_number: int, setup_id: int, take: Iterable[str], token: str, actor: StaffMember
) -> Applied:
    """Copy the chosen items of a setup into a job, in one transaction with one event over all.

    `take` holds keys of items; one whose parts are neither the same nor taken is left, and named
    in `left`. A job that is only booked takes it too: the plan stands before the car comes.
    Raises Refused; ChangedMeanwhile when the job is no longer what the preview showed.
    """
    with before_check_in():
        return _apply(open_job(job_number), setup_id, set(take), token, actor)


def _apply(job: Job, setup_id: int, chosen: set[str], token: str, actor: StaffMember) -> Applied:
    setup = SavedSetup.objects.select_related("vehicle_model").get(pk=setup_id)
    comparison = preview(setup, job)
    if comparison.token != token:
        raise ChangedMeanwhile(
            gettext("The job or the setup changed since this preview: look again.")
        )
    standing = {item.key for item in comparison.items if item.state == "same"}
    writer = _Writer(job, comparison, actor)
    taken: dict[str, list[str]] = {}
    left: dict[str, list[str]] = {}
    for item in _in_order(comparison.open_items):
        if item.key in chosen and standing.issuperset(item.needs):
            writer.write(item)
            standing.add(item.key)
            taken.setdefault(item.group, []).append(item.title)
        else:
            left.setdefault(item.group, []).append(item.title)
    if not taken:
        raise Refused(gettext("Nothing was chosen to be taken over."))
    SavedSetup.objects.filter(pk=setup_id).update(times_used=F("times_used") + 1)
    event = log(
        job,
        actor,
        "setup.applied",
        subject=subject_of(setup),
        before={"events": writer.events, "new_settings": writer.new_settings},
        after={"name": setup.name, "taken": taken, "left": left},
    )
    SetupUse.objects.create(
        setup=setup, job=job, version=setup.version, event=event, channels=writer.wires
    )
    return Applied(event, taken, left)


@dataclass(frozen=True)
class AppliedTo:
    """What became of one job of several: what was taken, or why nothing was.

    `to_decide` are titles of what differs and was left for a person, by group.
    """

    job: Job
    applied: Applied | None = None
    to_decide: dict[str, list[str]] = field(default_factory=dict)
    impossible: int = 0
    refused: tuple[str, ...] = ()

    @property
    def taken(self) -> int:
        return sum(map(len, self.applied.taken.values())) if self.applied else 0


def apply_to_jobs(setup_id: int, numbers: Iterable[int], actor: StaffMember) -> list[AppliedTo]:
    """Take over into several jobs, booked ones too, whatever needs no decision.

    Each job is a transaction of its own: one that refuses keeps none of the others back.
    """
    setup = SavedSetup.objects.select_related("vehicle_model").get(pk=setup_id)
    jobs = Job.objects.filter(number__in=list(numbers)).with_names().order_by("number")
    return [_apply_whole(setup, job, actor) for job in jobs]


@transaction.atomic
def take_whole(number: int, setup: SavedSetup, actor: StaffMember) -> AppliedTo:
    """The setup's parts that the job lacks, then whatever of its plan needs no decision.

    Nothing is added where nothing could be taken over. Raises Refused.
    """
    add_lacking(number, setup, actor)
    job = Job.objects.with_names().get(number=number)
    result = _apply_whole(setup, job, actor)
    if result.applied is None:
        raise Refused(*result.refused)
    return result


def _apply_whole(setup: SavedSetup, job: Job, actor: StaffMember) -> AppliedTo:
    try:
        comparison = preview(setup, job)
        differing: dict[str, list[str]] = {}
        for item in comparison.open_items:
            if item.state == "differs":
                differing.setdefault(item.group, []).append(item.title)
        impossible = sum(item.state == "impossible" for item in comparison.items)
        take = [item.key for item in comparison.items if item.taken_by_default]
        applied = apply_setup(job.number, setup.pk, take, comparison.token, actor)
    except Refused as refused:
        return AppliedTo(job, refused=tuple(refused.reasons))
    return AppliedTo(job, applied, differing, impossible)


def _changed_since(row: Any, event: JobEvent) -> bool:
    """The row no longer has what the event wrote; a row the event made is as it was made."""
    if not event.before:
        return bool(row.version != event.after["version"])
    wrote = {name: value for name, value in event.after.items() if name != "version"}
    return any(current(row, name) != value for name, value in wrote.items())


def _undo_row(event: JobEvent, actor: StaffMember) -> None:
    kind, pk = event.about
    model, job_path = ROWS[kind]
    row = model._default_manager.filter(pk=pk, **{job_path: event.job_id}).first()
    if row is None:
        raise Refused(gettext("Something this setup filled in was removed since: undo it by hand."))
    if _changed_since(row, event):
        raise Refused(
            gettext("%(row)s was changed since the setup was applied: undo it by hand.")
            % {"row": row}
        )
    if not event.before:
        row.delete()
        return
    before: dict[str, Any] = {}
    for name, value in event.before.items():
        field = model._meta.get_field(name)
        if field.many_to_many:
            before[name] = list(event.job.speakers.filter(pk__in=value))
        elif field.is_relation:
            before[name] = event.job.parts.filter(pk=value).first() if value else None
        else:
            before[name] = value
    save_row(
        model,
        row.pk,
        before,
        number=event.job.number,
        actor=actor,
        version=row.version,
        force=True,
        job_path=job_path,
    )


def undo_apply(event: JobEvent, actor: StaffMember) -> None:
    """Put every row back to what it was before the setup was applied. Raises Refused when one was
    changed since."""
    children = JobEvent.objects.filter(pk__in=event.before["events"]).select_related("job")
    for child in children.order_by("-pk"):
        if child.code == "speaker.added":
            undo_add(child, actor)
        elif child.code == "run.added":
            undo_add_run(child, actor)
        else:
            _undo_row(child, actor)
    ChannelSetting.objects.filter(
        pk__in=event.before["new_settings"], record__job=event.job_id
    ).delete()
    for use in SetupUse.objects.filter(event=event):
        SavedSetup.objects.filter(pk=use.setup_id).update(times_used=F("times_used") - 1)
        use.delete()


def to_reconfirm(job: Job) -> frozenset[int]:
    """Keys of the channels whose colours came from a setup and are not yet proved in this car."""
    taken = {key for use in job.setup_uses.all() for key in use.channels}
    if not taken:
        return frozenset()
    open_rows = job.channels.filter(pk__in=taken, polarity_proved=None)
    return frozenset(open_rows.values_list("pk", flat=True))
