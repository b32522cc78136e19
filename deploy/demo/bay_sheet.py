"""Fills a demo job's bay sheet through the services the tablet uses."""

from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone

from deploy.demo import tuning
from deploy.demo.spec import Setting, Tried, Work
from jobs.forms.bay.adapters import PinToPin
from jobs.models import Channel, FunctionResult, Job, SupplyFacts, TuningKind
from jobs.services import adapters, channels, fit, functions, notes, panels, power, readings
from jobs.services.tuning import records
from shop.models import StaffMember

if TYPE_CHECKING:
    from deploy.demo.loader import Loader


class Filler:
    """One sheet being filled by one technician."""

    def __init__(self, loader: "Loader", job: Job, work: Work, by: StaffMember) -> None:
        self.loader = loader
        self.job = job
        self.number = job.number
        self.work = work
        self.by = by

    def part(self, label: str) -> Any:
        return self.job.parts.get(label=label)

    def channels(self) -> dict[str, Channel]:
        rows = self.job.channels.select_related("part").order_by("pk")
        return {row.plan_id: row for row in rows}

    def prove_fit(self) -> None:
        today = timezone.localdate()
        for proof in self.work.proofs:
            fit.add_proof(
                self.number,
                self.by,
                source=proof.source,
                reference=proof.reference,
                consulted_on=today - timedelta(days=proof.days),
                outcome=proof.outcome,
                note=proof.note,
            )
        for label, fields in self.work.part_fields.items():
            part = self.part(label)
            changes = dict(fields)
            if "turn_on_by" in changes:
                changes["turn_on_by"] = self.part(changes["turn_on_by"])
            if serial := changes.get("serial"):  # Jobs share their work, never a piece.
                batch, _, running = serial.rpartition("-")
                changes["serial"] = f"{batch}-{int(running) + self.number:05}"
            fit.save_part(
                self.number, part.pk, changes, actor=self.by, version=part.version, key=""
            )

        for from_plug, to_plug, wires in self.work.adapters:
            name = f"{from_plug} to {to_plug}"
            event = adapters.add_adapter(self.number, name, from_plug, to_plug, actor=self.by)
            lead = self.job.adapters.get(pk=event.about[1])
            pins = [PinToPin(*one) for one in wires]
            adapters.write_pins(self.number, lead.pk, pins, actor=self.by)
        for name, clips, replaced, state in self.work.panels:
            event = panels.add_panel(self.number, name, clips, actor=self.by)
            _, pk = event.about
            changes = {"clips_replaced": replaced, "state": state}
            panels.save_panel(self.number, pk, changes, actor=self.by, version=1)

    def try_functions(self, phase: str) -> None:
        exceptions: dict[str, Tried] = {one.name: one for one in self.work.functions}
        groups: list[str] = []
        for row in self.job.function_checks.all():
            if row.group not in groups:
                groups.append(row.group)
            tried = exceptions.get(row.name)
            if tried is None:
                continue
            changes = {phase: getattr(tried, phase), **tried.said(phase)}
            functions.record(
                self.number, row.pk, phase, changes, actor=self.by, version=row.version
            )
        for group in groups:
            functions.all_work(self.number, phase, group, actor=self.by)

    def try_one_group(self, phase: str) -> None:
        """Only what the work says: the rest is still to be tried."""
        for tried in self.work.functions:
            row = self.job.function_checks.get(name=tried.name)
            result = getattr(tried, phase) or FunctionResult.UNTRIED
            changes = {phase: result, **tried.said(phase)}
            functions.record(
                self.number, row.pk, phase, changes, actor=self.by, version=row.version
            )

    def read(self, phase: str) -> None:
        for measured in self.work.readings:
            value = getattr(measured, phase)
            if value is None:
                continue
            row = self.job.readings.get(label=measured.label)
            readings.record(
                self.number,
                row.pk,
                phase,
                {f"{phase}_value": value, f"{phase}_instrument": measured.instrument},
                actor=self.by,
                version=row.version,
            )

    def plan_channels(self) -> None:
        rows = self.channels()
        owner = {key: one.channel for one in self.work.wirings for key in one.speakers}
        parts = {part.product_id: part for part in self.job.parts.all()}
        for speaker in self.work.speakers:
            fed_by = owner.get(speaker.key)
            product = self.loader.products[speaker.product] if speaker.product else None
            channels.add_speaker(
                self.number,
                self.by,
                position=speaker.position,
                part_pk=parts[product.pk].pk if product else None,
                channel_pk=rows[fed_by].pk if fed_by else None,
                **speaker.fields,
            )
        rows = self.channels()
        for wiring in self.work.wirings:
            changes = wiring.plain_fields()
            if wiring.feeds:
                label, number = wiring.feeds
                changes |= {"feeds_part": self.part(label), "feeds_input": number}
            row = rows[wiring.channel]
            channels.save_channel(
                self.number, row.pk, changes, actor=self.by, version=row.version, key=""
            )

    def plan_power(self) -> None:
        supply = SupplyFacts.objects.get(job=self.job)
        power.save_supply(
            self.number,
            supply.pk,
            self.work.supply,
            actor=self.by,
            version=supply.version,
            key="",
        )
        for run in self.work.runs:
            power.add_run(self.number, run, actor=self.by)

    def tune(self, kind: str) -> None:
        rows = self.channels()
        for wiring in self.work.wirings:
            setting: Setting | None = getattr(wiring, kind)
            if setting is not None:
                records.save_setting(
                    self.number,
                    kind,
                    rows[wiring.channel].pk,
                    setting.fields(),
                    actor=self.by,
                    version=1,
                )

    def other_settings(self, phase: str) -> None:
        for name, before, after in self.work.other_settings:
            if phase == "before":
                records.add_other(self.number, name, before, actor=self.by)
            else:
                row = self.job.other_settings.get(name=name)
                records.save_other(
                    self.number,
                    row.pk,
                    {"after": after},
                    actor=self.by,
                    version=row.version,
                    key="",
                )


def fill(
    loader: "Loader",
    job: Job,
    work: Work,
    by: StaffMember,
    starts: datetime,
    ends: datetime,
    finished: bool,
) -> None:
    """Fill the sheet as the work says, at plausible moments between start and end."""
    sheet = Filler(loader, job, work, by)
    span = ends - starts

    def at(fraction: float) -> AbstractContextManager[None]:
        return loader.at(starts + fraction * span)

    with at(0.04):
        sheet.prove_fit()
    with at(0.10):
        if finished or work.wirings:
            sheet.try_functions("before")
        else:
            sheet.try_one_group("before")
        sheet.read("before")
        sheet.other_settings("before")
    if work.wirings:
        with at(0.3):
            sheet.plan_channels()
        with at(0.5):
            sheet.plan_power()
        with at(0.6):
            sheet.tune(TuningKind.BEFORE)
            if work.tuning is not None:
                tuning.as_found(sheet, work.tuning)
        with at(0.85):
            sheet.tune(TuningKind.AFTER)
            if work.tuning is not None:
                tuning.as_left(sheet, work.tuning)
    with at(0.9):
        for text in work.notes:
            notes.add_note(job.number, text, actor=by)
        if finished:
            sheet.read("after")
            sheet.try_functions("after")
            sheet.other_settings("after")
