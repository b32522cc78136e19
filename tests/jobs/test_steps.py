"""Step lists: gates, order with reasons, what each step asks for, and copies that stay."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import Gate, Job, JobStep, Photo, WorkKind
from jobs.plan.document import findings_of
from jobs.reads.steps import StepList
from jobs.services import step_lists
from jobs.services.gates import GateFacts
from jobs.services.moves import missing_for
from jobs.services.steps import StepRefused, add_step, record_step, set_work_kind
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import VehicleFactory, VehicleModelFactory, make_job, make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db

DONE = {"outcome": "done"}


def a_list(name: str, *steps: dict[str, Any]) -> WorkKind:
    kind = WorkKind.objects.create(name=name)
    for order, fields in enumerate(steps):
        kind.steps.create(order=order, **fields)
    return kind


@pytest.fixture
def technician() -> StaffMember:
    return make_staff(Role.TECHNICIAN)


def a_job(*steps: dict[str, Any], **fields: Any) -> Job:
    """A job in the bay with these steps."""
    job = make_job(Stage.IN_BAY, **fields)
    return set_work_kind(job.pk, a_list(f"Kind of {job}", *steps), make_staff(Role.MANAGER))


def tick(step: JobStep, by: StaffMember, **changes: Any) -> JobStep:
    step.refresh_from_db()
    return record_step(
        step.job.number, step.pk, {**DONE, **changes}, actor=by, version=step.version
    ).row


def test_the_battery_stays_off_while_the_power_plan_has_a_stop() -> None:
    """[battery] --R1: 16 mm2, 200 A fuse--> [A1], then 60 A in its place"""
    workshop = Workshop()
    job = workshop.job()
    workshop.wire(job)
    kind = a_list("Full", {"text": "Connect the battery", "gate": Gate.POWER_PLAN})
    job = set_work_kind(job.pk, kind, workshop.manager)
    step = job.steps.get()
    job.runs.filter(label="R1").update(fuse_rating_a=200.0)
    stops = [f"Stop: {one.title}" for one in findings_of(job) if one.severity == "stop"]
    assert stops

    with pytest.raises(StepRefused) as refused:
        tick(step, workshop.technician)

    assert refused.value.fields == {"gate": stops}
    step.refresh_from_db()
    assert (step.outcome, step.outcome_by) == ("", None)
    assert not job.events.filter(code="step.done").exists()
    job.runs.filter(label="R1").update(fuse_rating_a=60.0)
    assert tick(step, workshop.technician).outcome == "done"


def test_out_of_order_needs_a_reason_and_keeps_it(technician: StaffMember) -> None:
    job = a_job({"text": "First"}, {"text": "Second"}, {"text": "Third"})
    first, second, third = job.steps.all()

    with pytest.raises(StepRefused, match="Out of order: “First” not done yet"):
        tick(second, technician)
    second = tick(second, technician, reason="Waiting for a part")

    assert (second.out_of_order, second.reason) == (True, "Waiting for a part")
    with pytest.raises(StepRefused, match="The reason stays"):
        record_step(job.number, second.pk, {"reason": ""}, actor=technician, version=second.version)
    assert tick(first, technician).out_of_order is False
    assert tick(third, technician).out_of_order is False
    undone = tick(second, technician, outcome="")
    assert (undone.outcome_by, undone.reason, undone.out_of_order) == (None, "", False)


def test_a_step_asks_for_its_reading_and_its_photo(technician: StaffMember) -> None:
    job = a_job(
        {"text": "Measure", "reading_label": "At the amplifier", "reading_unit": "V"},
        {"text": "Photograph", "photo_required": True},
    )
    measure, photograph = job.steps.all()

    with pytest.raises(StepRefused, match="Enter the reading first"):
        tick(measure, technician)
    tick(measure, technician, reading_value=13.4)
    with pytest.raises(StepRefused, match="Take the photo first"):
        tick(photograph, technician)
    Photo.objects.create(
        job=job, subject=photograph.photo_subject, width=4, height=3, by=technician, key="k" * 8
    )
    tick(photograph, technician)

    lines = StepList(job).lines
    assert [line.step.outcome_by for line in lines] == [technician] * 2
    assert (lines[0].step.reading_value, lines[1].photos) == (13.4, 1)


def test_what_shuts_a_step_keeps_the_job_from_review_in_the_same_words() -> None:
    job = a_job({"text": "Drill"})
    shut = {gate: GateFacts(job).against(gate) for gate in Gate.values}
    assert shut.pop(Gate.LOADS), "asked for by a step alone"
    against = {gate: said for gate, said in shut.items() if said}
    assert against.keys() == set(Gate.values) - {
        *(Gate.NONE, Gate.POWER_PLAN, Gate.CHANNEL_PLAN, Gate.LOADS, Gate.ENTERED)
    }
    assert {one for listed in against.values() for one in listed} <= set(missing_for(job, "finish"))


def test_review_waits_for_every_step_or_a_reason(technician: StaffMember) -> None:
    job = a_job({"text": "Drill"}, {"text": "Seal"})
    drill, seal = job.steps.all()

    def missing() -> list[str]:
        return [said for said in missing_for(job, "finish") if said.startswith("Steps not done")]

    assert missing() == [
        "Steps not done: “Drill” and “Seal”. Do them or say why they are not needed."
    ]
    with pytest.raises(StepRefused, match="Say why"):
        tick(drill, technician, outcome="skipped")
    tick(drill, technician, outcome="skipped", reason="A free grommet was there")
    assert missing() != []
    tick(seal, technician)
    assert missing() == []
    job.steps.all().delete()
    assert missing() == []


def test_changing_a_list_changes_no_job_and_another_kind_keeps_what_was_entered(
    technician: StaffMember,
) -> None:
    job = a_job({"text": "Cover the seats"}, {"text": "Run the cable"}, {"text": "Tune"})
    kind = job.work_kind
    assert kind is not None
    tick(job.steps.first(), technician)
    order = [one.pk for one in reversed(kind.steps.all())]
    step_lists.order_steps(kind.pk, order, technician)
    step_lists.remove_step(kind.steps.get(text="Run the cable").pk, technician)

    assert [step.text for step in job.steps.all()] == ["Cover the seats", "Run the cable", "Tune"]
    with pytest.raises(ChangedMeanwhile):
        step_lists.order_steps(kind.pk, [kind.steps.get(text="Tune").pk], technician)

    other = a_list("Speakers only", {"text": "Cover the seats"}, {"text": "Fit the speakers"})
    set_work_kind(job.pk, other, technician)
    assert [(step.text, step.outcome) for step in job.steps.all()] == [
        ("Cover the seats", "done"),
        ("Fit the speakers", ""),
    ]
    Job.objects.filter(pk=job.pk).update(stage=Stage.SIGNED_OFF)
    with pytest.raises(Refused, match="settled"):
        set_work_kind(job.pk, kind, technician)
    with pytest.raises(Refused, match="closed"):
        add_step(job.number, "One more", technician)


def test_the_high_voltage_caution_shows_on_such_a_car_alone() -> None:
    step = {"text": "Disconnect", "cautions": ["battery", "high_voltage"]}
    electric = VehicleFactory(vehicle_model=VehicleModelFactory(powertrain="electric"))

    assert StepList(a_job(step)).lines[0].cautions == ["battery"]
    assert StepList(a_job(step, vehicle=electric)).lines[0].cautions == ["battery", "high_voltage"]


def test_a_repeat_of_a_tick_counts_once_and_a_refused_one_keeps_the_rest(
    client: Client, technician: StaffMember
) -> None:
    job = a_job({"text": "First"}, {"text": "Second"})
    first, second = job.steps.all()
    client.force_login(technician)
    url = reverse("bay_step_save", args=[job.number, first.pk])
    tap = {"done": "true", "version": "1", "key": "tap-1"}
    htmx = {"HX-Request": "true"}

    answers = [client.post(url, tap, headers=htmx) for _ in range(2)]

    assert [answer.status_code for answer in answers] == [200, 200]
    assert job.events.filter(code="step.done").count() == 1
    tick(first, technician, outcome="")
    url = reverse("bay_step_save", args=[job.number, second.pk])
    typed = {"done": "true", "version": "1", "key": "tap-2"}
    refused = client.post(url, typed, headers=htmx)
    assert refused.status_code == 422
    assert "Out of order" in refused.content.decode()
    saved = client.post(
        url, {**typed, "reason": "Both hands free now", "key": "tap-3"}, headers=htmx
    )
    assert saved.status_code == 200
    second.refresh_from_db()
    assert (second.outcome, second.reason) == ("done", "Both hands free now")


def test_the_usual_lists_are_added_once() -> None:
    a_list("Comeback", {"text": "Our own way"})

    assert step_lists.start_with_usual(None) == 3
    assert step_lists.start_with_usual(None) == 0
    assert [step.text for step in WorkKind.objects.get(name="Comeback").steps.all()] == [
        "Our own way"
    ]
    gates = WorkKind.objects.get(name="Full system").steps.exclude(gate="")
    assert Gate.POWER_PLAN in gates.values_list("gate", flat=True)
