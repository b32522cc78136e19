"""Undo gives back the whole document: every row, every field, everything that hung on a row.

The document is read from the models themselves, so that a new field or table is compared too.
"""

from contextlib import ExitStack
from typing import Any, Final

import pytest
from django.apps import apps
from django.db import models, transaction
from hypothesis import HealthCheck, Phase, settings, strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from jobs.errors import Refused
from jobs.models import (
    Channel,
    Job,
    JobEvent,
    JobSpeaker,
    PowerRun,
    SavedSetup,
    SeatDistance,
    TuningKind,
)
from jobs.models.record import RecordChain
from jobs.services import channels, functions, power
from jobs.services.photos import change_photo
from jobs.services.tuning import records as tuning, sides
from jobs.services.tuning.seats import save_distance, tap_seat
from jobs.services.tuning.settings import put_settings
from jobs.setups.apply import apply_setup, preview
from jobs.setups.library import approve_setup, create_setup
from jobs.undo import UNDO, undo
from shop.models import VehicleModel
from tests.factories import VehicleModelFactory, make_photo
from tests.jobs.workshop import PLACES, Workshop

Document = dict[str, Any]

NOT_THE_DOCUMENT: Final = {JobEvent, RecordChain}
"""The log and its chain grow with every undo."""


def document() -> Document:
    """Every row of the jobs app by table and key, every field but the version that counts saves.

    A table that only ties two rows together has no key of its own: it is the set of its ties.
    """
    found: Document = {}
    for model in apps.get_app_config("jobs").get_models(include_auto_created=True):
        if model in NOT_THE_DOCUMENT:
            continue
        names = [one.attname for one in model._meta.concrete_fields if one.name != "version"]
        if model._meta.auto_created:
            ties = model._base_manager.values_list(*names[1:])
            found[model._meta.label] = sorted(ties)
        else:
            rows = model._base_manager.values(*names)
            found[model._meta.label] = {row[model._meta.pk.attname]: row for row in rows}
    return found


def differences(before: Document, after: Document) -> list[Any]:
    """What is not alike, few enough to read."""
    found: list[Any] = []
    for table, rows in before.items():
        if rows == after[table]:
            continue
        if isinstance(rows, list):
            found.append((table, rows, after[table]))
            continue
        for key in sorted(rows.keys() | after[table].keys()):
            old, new = rows.get(key), after[table].get(key)
            if old is None or new is None:
                found.append((table, key, old, new))
            elif old != new:
                found.append((table, key, {n: (old[n], new[n]) for n in old if old[n] != new[n]}))
    return found


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def furnished(workshop: Workshop, model: VehicleModel | None = None) -> Job:
    """A wired job with distances, and a photo with marks of each speaker and cable."""
    job = workshop.job(model)
    workshop.wire(job)
    seats = [tap_seat(job.number, place, actor=workshop.technician) for place in SEATS]
    pair = job.channels.get(number=3)
    by = workshop.technician
    channels.put_on(job.number, pair.pk, job.speakers.all()[3].pk, actor=by)
    channels.arrange(job.number, pair.pk, "series", "single", actor=by)
    for number, speaker in enumerate(job.speakers.all()):
        for seat in seats:
            measure(workshop, job, seat.pk, speaker.pk, 0.9 + number / 10)
    for row in (*job.speakers.all(), *job.runs.all()):
        picture(workshop, job, row)
    return job


SEATS: Final = ("front_left", "front_right")
KINDS: Final = {JobSpeaker: "speaker", PowerRun: "run", Channel: "channel"}


def measure(workshop: Workshop, job: Job, seat: int, speaker: int, distance_m: float) -> None:
    changes = {"distance_m": distance_m}
    row = SeatDistance.objects.filter(seat=seat, speaker=speaker).first()
    version = row.version if row else 0
    by = workshop.technician
    save_distance(job.number, seat, speaker, changes, actor=by, version=version)


def picture(workshop: Workshop, job: Job, row: models.Model) -> None:
    photo = make_photo(job, workshop.technician, subject=f"{KINDS[type(row)]}:{row.pk}")
    arrow = {"kind": "arrow", "x1": 0.1, "y1": 0.2, "x2": 0.5, "y2": 0.6}
    changes = {"caption": str(row), "annotations": [arrow]}
    change_photo(job.number, photo.pk, changes, version=photo.version, actor=workshop.technician)


@pytest.mark.django_db
def test_a_removed_speaker_comes_back_with_its_distances_photos_and_channel(
    workshop: Workshop,
) -> None:
    job, twin = furnished(workshop), furnished(workshop)
    speaker = job.speakers.all()[3]
    assert speaker.channels.count() == 2
    before, theirs = document(), twin.speakers.count()
    event = channels.remove_speaker(job.number, speaker.pk, actor=workshop.technician)
    gone = document()
    assert speaker.pk not in gone["jobs.JobSpeaker"]
    assert SeatDistance.objects.filter(speaker=speaker.pk).count() == 0
    assert twin.speakers.count() == theirs
    photo = next(row for row in gone["jobs.Photo"].values() if row["caption"] == str(speaker))
    assert photo["removed_at"] is None
    undo(job.number, event.pk, workshop.technician)
    assert differences(before, document()) == []
    undo(job.number, event.pk, workshop.technician)
    assert differences(before, document()) == []


@pytest.mark.django_db
def test_what_was_done_since_a_removal_stands(workshop: Workshop) -> None:
    job = furnished(workshop)
    by = workshop.technician
    speaker, other = job.speakers.all()[:2]
    event = channels.remove_speaker(job.number, speaker.pk, actor=by)
    tweeter = workshop.tweeter.job_parts.get(job=job)
    placed = channels.add_speaker(job.number, by, position="front_pillar_left", part_pk=tweeter.pk)
    assert placed is not None
    JobSpeaker.objects.filter(pk=placed.speaker.pk).update(label=speaker.label)
    measure(workshop, job, job.seats.all()[0].pk, other.pk, 3.25)
    undo(job.number, event.pk, by)
    back = job.speakers.get(pk=speaker.pk)
    assert back.label not in {speaker.label, other.label}
    assert back.distances.count() == len(SEATS)
    assert job.speakers.get(pk=placed.speaker.pk).label == speaker.label
    assert other.distances.filter(distance_m=3.25).count() == 1


@pytest.mark.django_db
def test_a_speaker_whose_part_or_room_has_gone_is_refused_and_nothing_changes(
    workshop: Workshop,
) -> None:
    job = furnished(workshop)
    by = workshop.technician
    speaker = job.speakers.all()[0]
    channel = speaker.channels.get()
    event = channels.remove_speaker(job.number, speaker.pk, actor=by)
    facts = {"name": "Factory woofer", "kind": "midwoofer", "impedance_ohm": 4.0}
    for place in PLACES:
        channels.add_speaker(job.number, by, position=place, facts=facts, channel_pk=channel.pk)
    before = document()
    with pytest.raises(Refused, match="take one off first"):
        undo(job.number, event.pk, by)
    assert differences(before, document()) == []
    speaker.part.delete()
    with pytest.raises(Refused, match="part was taken out of the job"):
        undo(job.number, event.pk, by)


# Any edits, and their undos ---------------------------------------------------------------


class Edits(RuleBasedStateMachine):
    """Edits that can be undone pile up; undone in turn, each gives back what stood before it.

    What cannot be undone (photos, distances, cells) is entered while nothing is piled up, and is
    part of the document from then on.
    """

    workshop: Workshop
    job: Job
    bare: Job
    setup: SavedSetup

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.stack.enter_context(transaction.atomic())
        self.stack.callback(transaction.set_rollback, True)
        self.done: list[tuple[JobEvent, Document]] = []
        self.count = 0

    def teardown(self) -> None:
        while self.done:
            self.undo_the_last()
        self.stack.close()

    @initialize(bare=st.integers(0, 3))
    def begin(self, bare: int) -> None:
        """Mostly a job with everything entered, sometimes one with nothing."""
        self.number = (self.job if bare else self.bare).number

    # What there is ------------------------------------------------------------------------

    @property
    def here(self) -> Job:
        return Job.objects.get(number=self.number)

    def pick(self, rows: Any, place: int) -> Any:
        listed = list(rows)
        return listed[place % len(listed)] if listed else None

    def edit(self, call: Any) -> None:
        before = document()
        try:
            with transaction.atomic():
                event = call()
        except Refused:
            assert differences(before, document()) == []
            return
        if event is not None:
            assert event.code in UNDO
            self.done.append((event, before))

    # Edits that can be undone -------------------------------------------------------------

    @rule(place=st.sampled_from(PLACES), part=st.integers(0, 3), on=st.integers(0, 5))
    def add_speaker(self, place: str, part: int, on: int) -> None:
        channel = self.pick(self.here.channels.all(), on)
        left = [one.part for one in channels.parts_left(self.here) if one.left]
        wanted = self.pick(left, part) if part < 2 else None
        facts = {"name": "Factory woofer", "kind": "midwoofer", "impedance_ohm": 3.7}

        def call() -> JobEvent | None:
            placed = channels.add_speaker(
                self.number,
                self.workshop.technician,
                position=place,
                part_pk=wanted.pk if wanted else None,
                facts=None if wanted else facts,
                channel_pk=channel.pk if on < 4 else None,
            )
            return placed.event if placed else None

        self.edit(call)

    @rule(which=st.integers(0, 9))
    def remove_speaker(self, which: int) -> None:
        if row := self.pick(self.here.speakers.all(), which):
            by = self.workshop.technician
            self.edit(lambda: channels.remove_speaker(self.number, row.pk, actor=by))

    @rule(which=st.integers(0, 9), on=st.integers(0, 3), off=st.booleans())
    def put_on_or_take_off(self, which: int, on: int, off: bool) -> None:
        channel = self.pick(self.here.channels.all(), on)
        rows = channel.speakers.all() if off else self.here.speakers.all()
        if speaker := self.pick(rows, which):
            change = channels.take_off if off else channels.put_on

            def call() -> JobEvent | None:
                saved = change(self.number, channel.pk, speaker.pk, actor=self.workshop.technician)
                return self.here.events.first() if saved.changed else None

            self.edit(call)

    @rule(
        on=st.integers(0, 3),
        joining=st.sampled_from(["series", "parallel"]),
        coils=st.sampled_from(["single", "series"]),
    )
    def arrange(self, on: int, joining: str, coils: str) -> None:
        fed = [one for one in self.here.channels.all() if one.speakers.count() > 1]
        if channel := self.pick(fed, on):
            by = self.workshop.technician
            self.edit(lambda: channels.arrange(self.number, channel.pk, joining, coils, actor=by))

    @rule(which=st.integers(0, 9), what=st.sampled_from(["remove", "copy", "propose", "add"]))
    def run(self, which: int, what: str) -> None:
        by = self.workshop.technician
        row = self.pick(self.here.runs.all(), which)
        if what == "add":
            facts = {"from_node": "battery", "to_node": "A1", "size": "4 mm2", "length_m": 1.07}
            self.edit(lambda: power.add_run(self.number, facts, actor=by))
        elif row is not None and what == "remove":
            self.edit(lambda: power.remove_run(self.number, row.pk, actor=by))
        elif row is not None and what == "copy":
            self.edit(lambda: power.copy_run(self.number, row.pk, actor=by))
        elif row is not None:
            self.count += 1
            key, changes = f"propose-{self.count}", {"size": "25 mm2", "fuse_rating_a": 80.0}
            self.edit(lambda: power.take_proposal(self.number, row.pk, changes, actor=by, key=key))

    @rule(phase=st.sampled_from(["before", "after"]), which=st.integers(0, 9))
    def all_work(self, phase: str, which: int) -> None:
        groups = self.here.function_checks.order_by("group").values_list("group", flat=True)
        group = self.pick(groups.distinct(), which)
        by = self.workshop.technician
        self.edit(lambda: functions.all_work(self.number, phase, group, actor=by))

    @rule(
        on=st.integers(0, 3),
        code=st.sampled_from(["delays.put_in", "proposal.applied"]),
        delay_ms=st.floats(0, 20),
    )
    def put_in(self, on: int, code: str, delay_ms: float) -> None:
        channel = self.pick(self.here.channels.select_related("part"), on)
        changes = {channel.plan_id: {"delay_ms": round(delay_ms, 4)}}
        by = self.workshop.technician
        self.edit(lambda: put_settings(self.number, changes, code=code, actor=by))

    @rule(on=st.integers(0, 3), to=st.integers(0, 3), level_db=st.floats(-30, 0))
    def set_both(self, on: int, to: int, level_db: float) -> None:
        own, other = (self.pick(self.here.channels.all(), one) for one in (on, to))
        if own.pk != other.pk:
            changes = {"level_db": round(level_db, 3), "delay_ms": 2.5}
            by = self.workshop.technician
            versions = {"version": 999, "other_version": 999}
            self.edit(
                lambda: (
                    sides.set_both(
                        self.number, own.pk, other.pk, changes, actor=by, **versions
                    ).event
                    or self._not_both()
                )
            )

    def _not_both(self) -> None:
        raise Refused("The other side is like that already.")

    @rule(on=st.integers(0, 3), to=st.integers(0, 3))
    def copy(self, on: int, to: int) -> None:
        own, other = (self.pick(self.here.channels.all(), one) for one in (on, to))
        by = self.workshop.technician
        self.edit(
            lambda: sides.copy_settings(self.number, own.pk, [other.pk], sides.WHAT, actor=by)
        )

    @rule(which=st.integers(0, 3))
    def return_to(self, which: int) -> None:
        record = self.pick(self.here.tuning_records.all(), which)
        by = self.workshop.technician
        self.edit(lambda: tuning.return_to(self.number, record.pk, actor=by))

    @rule()
    def apply_setup(self) -> None:
        job = self.here
        comparison = preview(self.setup, job)
        take = [item.key for item in comparison.open_items]
        by = self.workshop.technician
        self.edit(lambda: apply_setup(self.number, self.setup.pk, take, comparison.token, by).event)

    # Entries that are part of the document --------------------------------------------------

    @precondition(lambda self: not self.done)
    @rule(which=st.integers(0, 9), seat=st.sampled_from(SEATS), distance_m=st.floats(0.2, 4))
    def measure(self, which: int, seat: str, distance_m: float) -> None:
        if speaker := self.pick(self.here.speakers.all(), which):
            row = tap_seat(self.number, seat, actor=self.workshop.technician)
            measure(self.workshop, self.here, row.pk, speaker.pk, distance_m)

    @precondition(lambda self: not self.done)
    @rule(which=st.integers(0, 9))
    def photograph(self, which: int) -> None:
        job = self.here
        if row := self.pick([*job.speakers.all(), *job.runs.all(), *job.channels.all()], which):
            picture(self.workshop, job, row)

    @precondition(lambda self: not self.done)
    @rule(on=st.integers(0, 3), level_db=st.floats(-30, 0), name=st.sampled_from("XYZ"))
    def tune(self, on: int, level_db: float, name: str) -> None:
        channel = self.pick(self.here.channels.all(), on)
        self.workshop.set(self.here, channel, TuningKind.AFTER, {"level_db": level_db})
        try:
            with transaction.atomic():
                tuning.keep_as_working(self.number, name, actor=self.workshop.technician)
        except Refused:
            pass

    # Undo ---------------------------------------------------------------------------------

    @precondition(lambda self: self.done)
    @rule()
    def undo_the_last(self) -> None:
        event, before = self.done.pop()
        undo(self.number, event.pk, self.workshop.technician)
        assert differences(before, document()) == []

    @invariant()
    def photos_are_kept(self) -> None:
        for photo in self.here.photos.all():
            assert photo.file.storage.exists(photo.file.name)


@pytest.fixture
def setup(workshop: Workshop) -> SavedSetup:
    sheet = workshop.sign(workshop.ready(VehicleModelFactory(model="Lyra")))
    setup = create_setup(sheet.pk, "Lyra, clear voices", "", workshop.manager)
    approve_setup(setup.pk, workshop.manager)
    return setup


@pytest.mark.once
@pytest.mark.django_db
def test_any_edits_followed_by_their_undos_give_the_document_back(
    workshop: Workshop, setup: SavedSetup
) -> None:
    model = setup.vehicle_model
    machine = type(
        "EditsOfAJob",
        (Edits,),
        {
            "workshop": workshop,
            "setup": setup,
            "job": furnished(workshop, model),
            "bare": workshop.job(model),
        },
    )
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=10,
            stateful_step_count=15,
            deadline=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
