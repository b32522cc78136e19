"""A question with one answer is not asked: the part that wakes, the input that follows."""

import pytest

from jobs.models import Channel, Job
from jobs.services.channels import save_channel
from jobs.services.fit import save_part
from shop.models.products import ProductKind
from tests import factories
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


def _add(shop_floor: Workshop, job: Job, kind: str, label: str) -> int:
    product = factories.ProductFactory(kind=kind)
    return job.parts.create(product=product, quantity=1, label=label).pk


def test_the_only_part_that_can_wake_is_taken_and_of_two_equal_ones_none(
    shop_floor: Workshop, job: Job
) -> None:
    by = {"actor": shop_floor.technician, "key": ""}
    amplifier = job.parts.get(label="A1")
    one = _add(shop_floor, job, ProductKind.INTERFACE, "M1")
    save_part(job.number, amplifier.pk, {"turn_on": "interface_module"}, version=0, **by)
    amplifier.refresh_from_db()
    assert amplifier.turn_on_by_id == one

    _add(shop_floor, job, ProductKind.INTERFACE, "M2")
    second = job.parts.get(pk=_add(shop_floor, job, ProductKind.AMPLIFIER, "A2"))
    save_part(job.number, second.pk, {"turn_on": "interface_module"}, version=0, **by)
    second.refresh_from_db()
    assert second.turn_on == "interface_module" and second.turn_on_by_id is None
    save_part(job.number, second.pk, {"turn_on": "remote_wire"}, version=1, **by)
    second.refresh_from_db()
    assert second.turn_on_by_id is None


def test_an_output_takes_the_input_after_the_last_one_fed(shop_floor: Workshop, job: Job) -> None:
    amplifier = job.parts.get(label="A1")
    module = _add(shop_floor, job, ProductKind.INTERFACE, "M1")
    outputs = [
        Channel.objects.create(job=job, part_id=module, kind=Channel.Kind.LINE, number=number)
        for number in (1, 2, 3)
    ]
    given = [{"feeds_part": amplifier}, {"feeds_part": amplifier}]
    given.append({"feeds_part": amplifier, "feeds_input": 1})
    for row, changes in zip(outputs, given, strict=True):
        save_channel(
            job.number, row.pk, changes, actor=shop_floor.technician, version=row.version, key=""
        )
        row.refresh_from_db()
    assert [row.feeds_input for row in outputs] == [1, 2, 1]
