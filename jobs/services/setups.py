"""Saved setups: kept from a signed sheet, applied to another job of the model, undone.

A setup is copied, never referenced: changing or deleting one changes no job.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.db.models import F

from jobs.models import (
    Channel,
    ChannelSetting,
    InstallSheet,
    Job,
    JobEvent,
    JobPart,
    JobSpeaker,
    OtherSetting,
    PowerRun,
    SavedSetup,
    SupplyFacts,
    TuningKind,
)
from jobs.services import setup_document
from jobs.services.channels import place_speaker, undo_add
from jobs.services.errors import ChangedMeanwhile, Refused
from jobs.services.events import log
from jobs.services.power import add_run
from jobs.services.power import undo_add as undo_add_run
from jobs.services.saving import open_job, save_row, subject_of
from jobs.services.setup_compare import compare
from jobs.services.setup_document import SetupError
from jobs.services.setup_items import Comparison, Item
from jobs.services.tuning import record_of
from shop.models import StaffMember, VehicleModel

ROWS: Final[dict[str, tuple[type[Any], str]]] = {
    "channel": (Channel, "job"),
    "channelsetting": (ChannelSetting, "record__job"),
    "powerrun": (PowerRun, "job"),
    "supplyfacts": (SupplyFacts, "job"),
    "jobpart": (JobPart, "job"),
    "othersetting": (OtherSetting, "job"),
}
"""Rows that applying a setup changes, and the way from each to its job."""


@dataclass(frozen=True)
class Applied:
    """Titles of what was taken and of what was left, by group; `event` undoes it."""

    event: JobEvent
    taken: dict[str, list[str]]
    left: dict[str, list[str]]


def setups_for(model: VehicleModel) -> list[SavedSetup]:
    """The setups of a vehicle model, the most used first."""
    return list(
        SavedSetup.objects.filter(vehicle_model=model)
        .select_related("by", "from_sheet__job")
        .defer("document", "from_sheet__document", "from_sheet__pdf")
        .order_by("-times_used", "name")
    )


@transaction.atomic
def create_setup(sheet_id: int, name: str, note: str, actor: StaffMember) -> SavedSetup:
    """Keep a signed sheet's plan and settings for its vehicle model. Raises Refused."""
    sheet = InstallSheet.objects.select_related("job__vehicle__vehicle_model").get(pk=sheet_id)
    model = sheet.job.vehicle.vehicle_model
    try:
        with transaction.atomic():
            setup = SavedSetup.objects.create(
                vehicle_model=model,
                name=" ".join(name.split()),
                note=note.strip(),
                document=setup_document.from_sheet(sheet),
                from_sheet=sheet,
                by=actor,
            )
    except IntegrityError:
        raise Refused(f"{model} already has a setup named “{name}”: choose another.") from None
    log(
        sheet.job,
        actor,
        "setup.saved",
        subject=subject_of(setup),
        after={"name": setup.name, "sheet": sheet.number},
    )
    return setup


@transaction.atomic
def edit_setup(setup_id: int, name: str, note: str, actor: StaffMember) -> SavedSetup:
    """Change name and note; the document stays as it was signed. Raises Refused."""
    setup = SavedSetup.objects.select_related("from_sheet__job").get(pk=setup_id)
    before = {"name": setup.name, "note": setup.note}
    after = {"name": " ".join(name.split()), "note": note.strip()}
    if after == before:
        return setup
    try:
        with transaction.atomic():
            SavedSetup.objects.filter(pk=setup_id).update(**after)
    except IntegrityError:
        raise Refused(f"This model already has a setup named “{name}”: choose another.") from None
    log(
        setup.from_sheet.job,
        actor,
        "setup.changed",
        subject=subject_of(setup),
        before=before,
        after=after,
    )
    setup.refresh_from_db()
    return setup


@transaction.atomic
def delete_setup(setup_id: int, reason: str, actor: StaffMember) -> None:
    """Withdraw a setup for good. Jobs that took it over keep what they took. Raises Refused."""
    if not reason.strip():
        raise Refused("Say why the setup is withdrawn: the reason stays in the log.")
    setup = SavedSetup.objects.select_related("from_sheet__job", "vehicle_model").get(pk=setup_id)
    log(
        setup.from_sheet.job,
        actor,
        "setup.deleted",
        subject=subject_of(setup),
        before={"name": setup.name, "times_used": setup.times_used},
        after={"reason": reason.strip()},
    )
    setup.delete()


def preview(setup: SavedSetup, job: Job) -> Comparison:
    """What applying would do, item by item. Raises Refused."""
    if setup.vehicle_model_id != job.vehicle.vehicle_model_id:
        raise Refused(
            f"This setup is for {setup.vehicle_model}; the car of {job} is another model."
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
                name: getattr(wanted, name)
                for name in (
                    "name",
                    "kind",
                    "impedance_ohm",
                    "coils",
                    "power_w",
                    "min_high_pass_hz",
                    "min_high_pass_order",
                    "max_low_pass_hz",
                    "box_limit_hz",
                )
            }
        placed = place_speaker(
            self.job,
            self.actor,
            position=wanted.position,
            part=one.part,
            coil_joining=wanted.coil_joining,
            facts=facts,
        )
        self.speakers[wanted.id] = placed.speaker.pk
        self.events.append(placed.event.pk)

    def channel(self, item: Item) -> None:
        assert item.target is not None
        speakers = list(JobSpeaker.objects.filter(pk__in=[self.speakers[n] for n in item.extra]))
        self._save(Channel, item.target, {**item.values, "speakers": speakers}, "job")

    def setting(self, item: Item) -> None:
        assert item.target is not None
        record = record_of(self.job, TuningKind.AFTER, self.actor)
        row, made = ChannelSetting.objects.get_or_create(record=record, channel_id=item.target)
        if made:
            self.new_settings.append(row.pk)
        self._save(ChannelSetting, row.pk, dict(item.values), "record__job")

    def supply(self, item: Item) -> None:
        assert item.target is not None
        self._save(SupplyFacts, item.target, dict(item.values), "job")

    def turn_on(self, item: Item) -> None:
        assert item.target is not None
        self._save(JobPart, item.target, dict(item.values), "job")

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
        event = log(
            self.job,
            self.actor,
            "othersetting.from_setup",
            subject=subject_of(row),
            after={"name": row.name, **item.values, "version": row.version},
        )
        self.events.append(event.pk)

    def write(self, item: Item) -> None:
        """Write one item; a matched device needs no writing."""
        kind = item.key.partition(":")[0]
        if kind != "device":
            getattr(self, kind)(item)


def _in_order(items: Iterable[Item]) -> list[Item]:
    order = ("device", "speaker", "channel", "setting", "supply", "turn_on", "run", "other")
    return sorted(items, key=lambda item: order.index(item.key.partition(":")[0]))


@transaction.atomic
def apply_setup(
    job_number: int, setup_id: int, take: Iterable[str], token: str, actor: StaffMember
) -> Applied:
    """Copy the chosen items of a setup into a job, in one transaction with one event over all.

    `take` holds keys of items; one whose parts are neither the same nor taken is left, and named
    in `left`. Raises Refused; ChangedMeanwhile when the job is no longer what the preview showed.
    """
    job = open_job(job_number)
    setup = SavedSetup.objects.select_related("vehicle_model").get(pk=setup_id)
    comparison = preview(setup, job)
    if comparison.token != token:
        raise ChangedMeanwhile("The job or the setup changed since this preview: look again.")
    chosen = set(take)
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
        raise Refused("Nothing was chosen to be taken over.")
    SavedSetup.objects.filter(pk=setup_id).update(times_used=F("times_used") + 1)
    event = log(
        job,
        actor,
        "setup.applied",
        subject=subject_of(setup),
        before={"events": writer.events, "new_settings": writer.new_settings},
        after={"name": setup.name, "taken": taken, "left": left},
    )
    return Applied(event, taken, left)


def _undo_row(event: JobEvent, actor: StaffMember) -> None:
    kind, _, key = event.subject.partition(":")
    model, job_path = ROWS[kind]
    row = model._default_manager.filter(pk=int(key), **{job_path: event.job_id}).first()
    if row is None:
        raise Refused("Something this setup filled in was removed since: undo it by hand.")
    if row.version != event.after["version"]:
        raise Refused(f"{row} was changed since the setup was applied: undo it by hand.")
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
