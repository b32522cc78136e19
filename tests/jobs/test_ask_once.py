"""What is entered once stands wherever it is asked for; a setup brings all but the car itself."""

from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from jobs.models import Gate, Job, JobStep, ReadingKind, SavedSetup, SeatDistance
from jobs.plan.document import findings_of
from jobs.services import fit, functions, readings
from jobs.services.channels import save_channel
from jobs.services.fit import save_part
from jobs.services.moves import move
from jobs.services.parts import put_in
from jobs.services.steps import record_step
from jobs.services.tuning.levels import level_readings, save_level
from jobs.services.tuning.seats import save_distance, tap_seat
from jobs.setups.apply import preview, take_whole
from jobs.setups.brought import fit_of, step_hints, suggested_reasons
from jobs.setups.library import create_setup
from jobs.setups.parts import lacking
from jobs.sheet.sign_off import give_reason, sign_off_job
from jobs.undo import undo
from shop.models import Product, ProductKind
from tests.factories import make_photo, make_product
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def first_car(workshop: Workshop) -> SavedSetup:
    """A signed job with all that a second car can use."""
    job = workshop.job()
    workshop.wire(job)
    workshop.prove(job)
    amplifier = job.parts.get(label="A1")
    save_part(
        job.number,
        amplifier.pk,
        {"firmware": "2.1", "note": "Fan to the front"},
        actor=workshop.technician,
        version=amplifier.version,
        key="",
    )
    seat = tap_seat(job.number, "front_left", actor=workshop.technician)
    for index, speaker in enumerate(job.speakers.all()):
        save_distance(
            job.number,
            seat.pk,
            speaker.pk,
            {"distance_m": 0.8 + index / 10},
            actor=workshop.technician,
            version=0,
        )
    step = job.steps.create(text="Sill trim out", outcome="done", reason="Clip breaks")
    make_photo(job, workshop.technician, subject=step.photo_subject)
    sheet = workshop.sign(job_ready(job, workshop))
    return create_setup(sheet.pk, "Four channels", "", workshop.technician)


def job_ready(job: Job, workshop: Workshop) -> Job:
    return move(job.pk, "finish", workshop.technician)


def step_of(job: Job, **facts: Any) -> JobStep:
    last = job.steps.count()
    return JobStep.objects.create(job=job, order=last + 1, **{"text": f"Step {last}", **facts})


def test_one_tap_brings_parts_and_plan_and_one_more_takes_the_plan_back(
    workshop: Workshop,
) -> None:
    setup = first_car(workshop)
    job = workshop.job(setup.vehicle_model)
    job.parts.all().delete()
    assert [one.quantity for one in lacking(setup)] == [1, 2, 2]
    took = take_whole(job.number, setup, workshop.technician)
    assert took.applied is not None and not took.to_decide
    assert [(part.label, part.quantity) for part in job.parts.all()] == [
        ("A1", 1),
        ("S1", 2),
        ("S2", 2),
    ]
    there = [(part.product, part.quantity) for part in job.parts.select_related("product")]
    assert lacking(setup, there) == []
    amplifier = job.parts.get(label="A1")
    assert (amplifier.firmware, amplifier.note) == ("2.1", "Fan to the front")
    assert amplifier.serial == ""
    ways = SeatDistance.objects.filter(seat__job=job).order_by("speaker__pk")
    assert [round(one.distance_m or 0, 2) for one in ways] == [0.8, 0.9, 1.0, 1.1]
    undo(job.number, took.applied.event.pk, workshop.technician)
    assert not job.seats.exists() and not job.speakers.exists()
    assert job.parts.get(label="A1").firmware == ""


def test_the_first_cars_proof_and_steps_stand_beside_the_second_and_prove_nothing(
    workshop: Workshop,
) -> None:
    setup = first_car(workshop)
    job = workshop.job(setup.vehicle_model)
    assert fit_of(job) == {} and step_hints(job) == {}
    take_whole(job.number, setup, workshop.technician)
    known = fit_of(job)
    assert (known["source"], known["reference"]) == ("Maker's fit list", "FL 14-212")
    assert not job.fit_proofs.exists()
    hint = step_hints(job)["Sill trim out"]
    assert hint.note == "Clip breaks" and len(hint.photos) == 1
    assert set(job.channels.values_list("polarity_proved", flat=True)) == {None}


def test_a_power_plan_uses_the_jobs_own_cable_and_never_a_thinner_one(workshop: Workshop) -> None:
    setup = first_car(workshop)

    def cable(name: str, size: str) -> Product:
        facts = {"cable_size": size, "cable_metal": "copper", "insulation_c": 90.0}
        return make_product(kind=ProductKind.CABLE, name=name, **facts)

    thick = workshop.job(setup.vehicle_model)
    put_in(thick, cable("Reed 25", "25 mm2"), 3, workshop.technician)
    put_in(thick, cable("Reed 10", "10 mm2"), 3, workshop.technician)
    run = next(one for one in preview(setup, thick).items if one.key == "run:R1")
    assert run.values["size"] == "25 mm2" and run.values["insulation_c"] == 90.0
    assert run.state == "differs" and "Reed 25" in run.why[0]

    thin = workshop.job(setup.vehicle_model)
    put_in(thin, cable("Reed 6", "6 mm2"), 3, workshop.technician)
    run = next(one for one in preview(setup, thin).items if one.key == "run:R1")
    assert run.values["size"] == "16 mm2" and "as thick as" in run.why[0]

    same = workshop.job(setup.vehicle_model)
    put_in(same, cable("Reed 16", "16 mm2"), 3, workshop.technician)
    run = next(one for one in preview(setup, same).items if one.key == "run:R1")
    assert run.state == "new" and run.values["insulation_c"] == 90.0


def test_a_reason_is_offered_for_its_like_and_for_the_same_place_of_the_next_car(
    workshop: Workshop,
) -> None:
    job = workshop.job()
    workshop.wire(job)
    job.channels.update(polarity_proved=True)
    job.channels.filter(number__in=(1, 2)).update(connector="Door", positive_base="ZZ")
    cautions = [one for one in findings_of(job) if one.rule == "wire-colour"]
    assert len(cautions) == 2
    assert suggested_reasons(job, cautions) == {}
    give_reason(job.pk, cautions[0].fingerprint, "Faded, traced by hand", workshop.technician)
    offered = suggested_reasons(job, findings_of(job))
    assert offered[cautions[1].fingerprint].reason == "Faded, traced by hand"
    others = {one.fingerprint for one in findings_of(job) if one.rule != "wire-colour"}
    assert not others & offered.keys()

    give_reason(job.pk, cautions[1].fingerprint, "Only this side", workshop.technician)
    workshop.prove(job)
    for one in findings_of(job):
        if one.severity == "caution" and one.rule != "wire-colour":
            give_reason(job.pk, one.fingerprint, "Looked at", workshop.technician)
    job_ready(job, workshop)
    sheet = sign_off_job(job.pk, workshop.manager)
    setup = create_setup(sheet.pk, "Faded", "", workshop.technician)
    second = workshop.job(setup.vehicle_model)
    take_whole(second.number, setup, workshop.technician)
    offered = suggested_reasons(second, findings_of(second))
    assert offered[cautions[1].fingerprint].reason == "Only this side"
    assert not second.finding_reasons.exists()


def test_a_step_ticks_itself_by_the_entry_it_waits_for_and_back(workshop: Workshop) -> None:
    job = workshop.job()
    waits = step_of(job, gate=Gate.FUNCTIONS_BEFORE, ticks_itself=True)
    by_hand = step_of(job, gate=Gate.FUNCTIONS_BEFORE)
    last = list(job.function_checks.all())[-1]
    job.function_checks.exclude(pk=last.pk).update(before="works")

    def try_last(result: str) -> None:
        last.refresh_from_db()
        functions.record(
            job.number,
            last.pk,
            "before",
            {"before": result},
            actor=workshop.technician,
            version=last.version,
        )
        waits.refresh_from_db()
        by_hand.refresh_from_db()

    try_last("works")
    assert (waits.outcome, waits.by_itself, waits.outcome_by) == (
        "done",
        True,
        workshop.technician,
    )
    assert by_hand.outcome == ""
    try_last("")
    assert (waits.outcome, waits.by_itself) == ("", False)
    try_last("fault")
    assert waits.outcome == "done"


def test_a_step_done_by_hand_is_never_taken_back_by_an_entry(workshop: Workshop) -> None:
    job = workshop.job()
    step = step_of(job, gate=Gate.FIT_PROVED, ticks_itself=True)
    fit.add_proof(
        job.number,
        workshop.technician,
        source="List",
        reference="1",
        consulted_on=job.starts_at.date(),
        outcome="fits",
    )
    step.refresh_from_db()
    assert step.by_itself
    for outcome in ("", "done"):
        step.refresh_from_db()
        record_step(
            job.number,
            step.pk,
            {"outcome": outcome},
            actor=workshop.technician,
            version=step.version,
        )
    fit.add_proof(
        job.number,
        workshop.technician,
        source="List",
        reference="2",
        consulted_on=job.starts_at.date(),
        outcome="does_not_fit",
    )
    step.refresh_from_db()
    assert (step.outcome, step.by_itself) == ("done", False)


def test_a_reading_and_the_step_that_reads_the_same_are_one(workshop: Workshop) -> None:
    job = workshop.job()
    asks = {"reading_label": "Voltage under load", "reading_unit": "V", "ticks_itself": True}
    step = step_of(job, reading_kind=ReadingKind.AMPLIFIER_LOADED, **asks)
    row = job.readings.get(kind=ReadingKind.AMPLIFIER_LOADED)
    record_step(job.number, step.pk, {"reading_value": 12.4}, actor=workshop.technician, version=1)
    row.refresh_from_db()
    step.refresh_from_db()
    assert (row.after_value, row.after_by, step.outcome) == (12.4, workshop.technician, "done")

    second = workshop.amplifier
    put_in(job, second, 1, workshop.technician)
    other = job.readings.exclude(pk=row.pk).get(kind=ReadingKind.AMPLIFIER_LOADED)

    def take(reading: Any, value: float | None) -> None:
        reading.refresh_from_db()
        readings.record(
            job.number,
            reading.pk,
            "after",
            {"after_value": value},
            actor=workshop.technician,
            version=reading.version,
        )
        step.refresh_from_db()

    take(other, 12.1)
    assert step.reading_value == 12.1
    take(row, None)
    assert (step.reading_value, step.outcome) == (None, "")
    take(row, 11.9)
    assert (step.reading_value, step.outcome) == (11.9, "done")


def _output(job: Job, about: str) -> tuple[float | None, str]:
    row = job.readings.filter(kind=ReadingKind.OUTPUT, about=about).first()
    return (row.after_value, row.after_instrument) if row else (None, "not there")


def test_an_output_read_in_the_guide_stands_at_its_device_after_the_work(
    workshop: Workshop,
) -> None:
    job = workshop.job()
    workshop.wire(job)
    put_in(job, workshop.amplifier, 1, workshop.technician)
    step = step_of(job, gate=Gate.CHECKS_AFTER, ticks_itself=True)
    job.function_checks.update(after="works")
    job.readings.exclude(kind=ReadingKind.OUTPUT).update(after_value=12.0)
    job.readings.filter(about="A2").update(after_value=9.0)

    def guide(about: str, value: float | None) -> None:
        row = job.readings.filter(about=about).first()
        save_level(
            job.number,
            ReadingKind.OUTPUT,
            about,
            {"after_value": value},
            actor=workshop.technician,
            version=row.version if row else 0,
            instrument="Meter 3",
        )
        step.refresh_from_db()

    guide("A1.1", 12.1)
    assert _output(job, "A1") == (12.1, "Meter 3") and step.outcome == "done"
    guide("A1.3", 14.2)
    guide("A1.1", 13.0)
    assert _output(job, "A1")[0] == 14.2
    guide("A1.3", None)
    assert _output(job, "A1")[0] == 13.0
    guide("A1.1", None)
    assert _output(job, "A1")[0] is None and step.outcome == ""
    assert _output(job, "A2")[0] == 9.0 and _output(job, "A1.1")[1] == "not there"

    def after(about: str, value: float | None) -> None:
        row = job.readings.get(about=about)
        readings.record(
            job.number,
            row.pk,
            "after",
            {"after_value": value, "after_instrument": "Meter 4"},
            actor=workshop.technician,
            version=row.version,
        )

    after("A1", 15.5)
    assert level_readings(job) == {}, "of which of four channels it is nobody knows"
    guide("A1.2", 11.0)
    guide("A1.2", None)
    assert _output(job, "A1")[0] is None
    for channel in job.channels.filter(part__label="A1", number__gt=1):
        channel.speakers.clear()
    after("A1", 15.6)
    assert _output(job, "A1.1") == (15.6, "Meter 4")
    after("A1.1", 15.8)
    assert _output(job, "A1")[0] == 15.8
    after("A1", None)
    assert _output(job, "A1.1")[0] is None


def test_an_output_typed_by_hand_is_not_taken_away_with_another_of_the_guide(
    workshop: Workshop,
) -> None:
    job = workshop.job()
    by = {"actor": workshop.technician, "instrument": ""}
    save_level(job.number, ReadingKind.OUTPUT, "A1.1", {"after_value": 12.0}, version=0, **by)
    row = job.readings.get(about="A1")
    readings.record(job.number, row.pk, "after", {"after_value": 16.0}, version=row.version, **by)
    one = job.readings.get(about="A1.1")
    changes = {"after_value": None}
    save_level(job.number, ReadingKind.OUTPUT, "A1.1", changes, version=one.version, **by)
    assert _output(job, "A1")[0] == 16.0


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_outputs_of_one_device_read_at_once_leave_the_highest_at_it() -> None:
    floor = Workshop()
    job = floor.job()
    values = {"A1.1": 12.0, "A1.2": 14.0, "A1.3": 13.0, "A1.4": 11.0}

    def read(about: str) -> object:
        changes = {"after_value": values[about]}
        return save_level(
            job.number, ReadingKind.OUTPUT, about, changes, actor=floor.technician, version=0
        )

    at_once(*(partial(read, about) for about in values))
    assert _output(job, "A1")[0] == 14.0
    assert {about: row.after_value for (_, about), row in level_readings(job).items()} == values


def test_loads_measured_tick_their_step_and_an_empty_plan_does_not(workshop: Workshop) -> None:
    job = workshop.job()
    step = step_of(job, gate=Gate.LOADS, ticks_itself=True)

    def measure() -> str:
        for channel in job.channels.filter(kind="amplifier"):
            save_channel(
                job.number,
                channel.pk,
                {"measured_load_ohm": (channel.measured_load_ohm or 3.5) + 0.1},
                actor=workshop.technician,
                version=channel.version,
                key="",
            )
        step.refresh_from_db()
        return str(step.outcome)

    assert measure() == ""
    workshop.wire(job)
    assert measure() == "done"


def test_what_is_left_is_one_list_on_the_sheet(workshop: Workshop, client: Client) -> None:
    setup = first_car(workshop)
    job = workshop.job(setup.vehicle_model)
    step_of(job)
    client.force_login(workshop.technician)
    page = client.get(f"/jobs/{job.number}/bay/steps/").content.decode()
    assert "Left to do on this car" not in page
    answer = client.post(f"/jobs/{job.number}/take-setup/{setup.pk}/")
    assert answer.status_code == 302
    page = client.get(answer["Location"]).content.decode()
    assert "Left to do on this car" in page
    assert 'Wires whose polarity is not proved <span class="count">4</span>' in page
    proofs = client.get(f"/jobs/{job.number}/bay/channels/?show=polarity").content.decode()
    assert proofs.count('name="polarity_proved" value="true"') == 4
    channel = job.channels.get(number=1)
    url = f"/jobs/{job.number}/bay/channels/{channel.pk}/proof/"
    saved = client.post(url, {"polarity_proved": "true", "version": channel.version})
    assert saved.status_code == 200
    page = client.get(f"/jobs/{job.number}/bay/steps/").content.decode()
    assert 'Wires whose polarity is not proved <span class="count">3</span>' in page


def test_a_setup_adds_its_parts_to_a_booking_beside_what_is_typed(
    workshop: Workshop, client: Client
) -> None:
    setup = first_car(workshop)
    client.force_login(workshop.desk)
    tweeter = workshop.tweeter
    typed = {"part_product": tweeter.pk, "part_quantity": "1"}
    lines = client.get(f"/setups/{setup.pk}/part-lines/", typed).content.decode()
    assert lines.count('name="part_product"') == 3
    assert f'name="part_product" value="{tweeter.pk}"' in lines
    whole = {"part_product": tweeter.pk, "part_quantity": "2"}
    lines = client.get(f"/setups/{setup.pk}/part-lines/", whole).content.decode()
    assert lines.count('name="part_product"') == 2
