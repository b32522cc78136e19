"""A device that takes a signal has an input of that kind, as far as its record says."""

from typing import Any

import pytest

from jobs.models import Job, JobPart
from jobs.plan.document import findings_of
from shop.catalogue.product_forms import ProductForm
from shop.models import Product, ProductKind
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


def _told(job: Job) -> list[tuple[str, tuple[str, ...]]]:
    return [
        (one.severity, one.where) for one in findings_of(job) if one.rule == "signal-without-input"
    ]


@pytest.mark.parametrize(
    ("signal", "inputs", "told"),
    [
        ("factory_speaker", {}, False),
        ("factory_speaker", {"speaker_inputs": 0}, True),
        ("factory_speaker", {"speaker_inputs": 4}, False),
        ("factory_speaker", {"speaker_inputs": 4, "optical_inputs": 0}, False),
        ("digital", {}, False),
        ("digital", {"optical_inputs": 0, "coaxial_inputs": 0}, False),
        ("digital", {"optical_inputs": 0, "coaxial_inputs": 0, "network_inputs": 0}, True),
        ("digital", {"optical_inputs": 0, "coaxial_inputs": 1, "network_inputs": 0}, False),
        ("digital", {"network_inputs": 1}, False),
        ("factory_line", {"speaker_inputs": 0, "optical_inputs": 0}, False),
        ("", {"speaker_inputs": 0}, False),
    ],
)
def test_a_signal_without_an_input_on_record_is_a_caution(
    signal: str, inputs: dict[str, Any], told: bool
) -> None:
    floor = Workshop()
    job = floor.job()
    Product.objects.filter(pk=floor.amplifier.pk).update(**inputs)
    JobPart.objects.filter(job=job, label="A1").update(input_from=signal)
    assert _told(job) == ([("caution", ("A1",))] if told else [])


def test_inputs_by_kind_are_typed_with_the_product_and_empty_is_not_none() -> None:
    typed = {
        "maker": "Varn", "name": "Weir Four", "turn_on": "not_needed", "amplifier_channels": "4",
        "line_inputs": "4", "line_outputs": "0", "speaker_inputs": "0", "optical_inputs": "1",
        "output_protected": "unknown",
    }  # fmt: skip
    form = ProductForm(typed, kind=ProductKind.AMPLIFIER)
    assert form.is_valid(), form.errors
    product = form.save()
    assert (product.speaker_inputs, product.optical_inputs, product.network_inputs) == (0, 1, None)
    assert product.digital_inputs == 1
    wrong = ProductForm({**typed, "network_inputs": "33"}, kind=ProductKind.AMPLIFIER)
    assert "network_inputs" in wrong.errors
