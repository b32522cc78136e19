"""Every (stage, move, role) of the table: made when the table says so, refused otherwise."""

from itertools import product

import pytest
from django.db import transaction
from django.utils import timezone

from jobs.errors import Refused
from jobs.lifecycle import MOVES, SIGNED, Correction, Stage
from jobs.models import Job
from jobs.services import moves
from jobs.services.moves import NEEDS, move
from shop.roles import Role
from tests.factories import make_job, make_staff

pytestmark = pytest.mark.django_db


@pytest.fixture
def all_needs_met(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in NEEDS:
        monkeypatch.setitem(moves.NEEDS, name, lambda job: [])


def put_at(job: Job, stage: Stage, correction: Correction = Correction.NONE) -> None:
    Job.objects.filter(pk=job.pk).update(
        stage=stage,
        held_from=Stage.IN_BAY if stage == Stage.ON_HOLD else "",
        correction=correction,
        correction_since=timezone.now() if correction else None,
    )
    job.refresh_from_db()


def put_before(job: Job, name: str) -> None:
    wanted = MOVES[name]
    put_at(job, min(wanted.begins), min(wanted.during))


PLACES = [(stage, Correction.NONE) for stage in Stage] + [
    (stage, correction) for stage in sorted(SIGNED) for correction in Correction if correction
]


@pytest.mark.usefixtures("all_needs_met")
@pytest.mark.parametrize(("stage", "correction"), PLACES)
def test_table(stage: Stage, correction: Correction) -> None:
    job = make_job()
    people = {role: make_staff(role) for role in Role}
    for wanted, role in product(MOVES.values(), Role):
        put_at(job, stage, correction)
        events = job.events.count()
        allowed = stage in wanted.begins and correction in wanted.during and role in wanted.roles
        try:
            with transaction.atomic():
                worked = [people[Role.TECHNICIAN].pk]
                moved = move(job.pk, wanted.name, people[role], "because", worked)
        except Refused:
            job.refresh_from_db()
            assert not allowed, f"{stage} {wanted.name} {role} was refused"
            assert (job.stage, job.correction) == (stage, correction)
            assert job.events.count() == events
        else:
            assert allowed, f"{stage} {wanted.name} {role} was let through"
            stays = stage if wanted.corrects else Stage.IN_BAY
            assert (moved.stage, moved.correction) == (wanted.to or stays, wanted.leaves)
            newest = job.events.filter(code=f"job.{wanted.name}").first()
            assert newest is not None
            assert (newest.before["stage"], newest.after["stage"]) == (stage, moved.stage)


@pytest.mark.usefixtures("all_needs_met")
@pytest.mark.parametrize(("name", "need"), [(m.name, n) for m in MOVES.values() for n in m.needs])
def test_each_precondition_stops_its_move(
    name: str, need: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(moves.NEEDS, need, lambda job: ["Not yet."])
    job = make_job()
    put_before(job, name)
    with pytest.raises(Refused, match="Not yet"):
        move(job.pk, name, make_staff(*MOVES[name].roles), "because")


@pytest.mark.usefixtures("all_needs_met")
@pytest.mark.parametrize("name", [m.name for m in MOVES.values() if m.reason])
def test_a_reason_is_asked_for(name: str) -> None:
    job = make_job()
    put_before(job, name)
    with pytest.raises(Refused, match="needs a reason"):
        move(job.pk, name, make_staff(*MOVES[name].roles), "  ")


def test_somebody_without_a_role_makes_no_move() -> None:
    job = make_job()
    for wanted in MOVES.values():
        put_before(job, wanted.name)
        with pytest.raises(Refused):
            move(job.pk, wanted.name, make_staff(), "because")


def test_each_line_sent_back_is_a_point_for_the_technician() -> None:
    job = make_job(Stage.READY_FOR_REVIEW)
    move(job.pk, "send_back", make_staff(Role.MANAGER), "Label A1.3\n\n  Try the camera again ")
    reasons = job.send_backs.values_list("reason", flat=True)
    assert list(reasons) == ["Label A1.3", "Try the camera again"]
