"""Parts: what comes with them and what goes with them."""

import pytest

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.services.parts import add_part, goes_with, remove_part, set_quantity
from shop.models import ProductKind
from shop.roles import Role
from tests.factories import make_job, make_product, make_staff

pytestmark = pytest.mark.django_db


def test_labels_are_not_given_to_another_part_while_one_stands() -> None:
    job, bench = make_job(), make_staff(Role.TECHNICIAN)
    amplifier = make_product()
    first, second = add_part(job.pk, amplifier, 2, bench)
    remove_part(job.pk, first.pk, bench)
    (third,) = add_part(job.pk, amplifier, 1, bench)
    assert [second.label, third.label] == ["A2", "A3"]


def test_more_of_the_same_cable_is_one_line() -> None:
    job, desk = make_job(), make_staff(Role.FRONT_DESK)
    cable = make_product(kind=ProductKind.CABLE)
    add_part(job.pk, cable, 2, desk)
    (part,) = add_part(job.pk, cable, 3, desk)
    assert (job.parts.count(), part.label, part.quantity) == (1, "K1", 5)
    set_quantity(job.pk, part.pk, 4, desk)
    event = job.events.first()
    assert (event.code, event.before["quantity"], event.after["quantity"]) == ("part.changed", 5, 4)


def test_a_part_takes_its_channels_and_open_readings_along_and_the_log_says_so() -> None:
    job, bench = make_job(), make_staff(Role.TECHNICIAN)
    amplifier = make_product(amplifier_channels=4)
    kept, gone = add_part(job.pk, amplifier, 2, bench)
    gone.channels.filter(number=1).update(connector="Plug A")
    assert goes_with(gone) == ["4 channels", "1 of them with entries"]

    remove_part(job.pk, gone.pk, bench)

    assert set(job.channels.values_list("part", flat=True)) == {kept.pk}
    assert not job.readings.filter(label__contains="A2").exists()
    assert job.readings.filter(label__contains="A1").count() == 2
    event = job.events.get(code="part.removed")
    assert event.before["label"] == "A2"
    assert "4 channels" in event.before["with"]


@pytest.mark.parametrize(
    ("stage", "open_"),
    [
        (Stage.BOOKED, True),
        (Stage.ON_HOLD, True),
        (Stage.IN_BAY, True),
        (Stage.READY_FOR_REVIEW, False),
        (Stage.SIGNED_OFF, False),
        (Stage.COLLECTED, False),
    ],
)
def test_parts_are_settled_from_review_on(stage: Stage, open_: bool) -> None:
    cable = make_product(kind=ProductKind.CABLE)
    job, bench = make_job(stage, parts_wanted=[cable]), make_staff(Role.TECHNICIAN)
    if open_:
        remove_part(job.pk, job.parts.get().pk, bench)
        assert not job.parts.exists()
    else:
        with pytest.raises(Refused, match="settled"):
            add_part(job.pk, cable, 1, bench)
        with pytest.raises(Refused, match="settled"):
            remove_part(job.pk, job.parts.get().pk, bench)
