"""A device that takes a signal has an input of that kind, as far as its record says."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job, JobPart
from jobs.plan.document import findings_of, plan_of
from shop.catalogue.product_forms import ProductForm
from shop.models import Product, ProductKind
from tests.jobs.workshop import Workshop
from wiring.plan import from_builtins, to_builtins

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


@pytest.mark.parametrize(
    ("inputs", "at", "told"),
    [
        ({"optical_inputs": 2}, "optical 2", False),
        ({"optical_inputs": 1}, "optical 2", True),
        ({"optical_inputs": 2, "coaxial_inputs": 0}, "coaxial 1", True),
        ({"optical_inputs": 2}, "coaxial 1", False),
    ],
)
def test_two_optical_inputs_are_two(inputs: dict[str, Any], at: str, told: bool) -> None:
    floor = Workshop()
    job = floor.job()
    Product.objects.filter(pk=floor.amplifier.pk).update(**inputs)
    JobPart.objects.filter(job=job, label="A1").update(input_from="digital", digital_input=at)
    assert _told(job) == ([("caution", ("A1",))] if told else [])
    (device,) = (one for one in plan_of(job).devices if one.id == "A1")
    assert device.digital_input == at
    assert from_builtins(to_builtins(plan_of(job))).devices[0].digital_input == at


def test_which_digital_input_is_asked_where_there_are_two() -> None:
    floor = Workshop()
    job = floor.job()
    client = Client(headers={"HX-Request": "true"})
    client.force_login(floor.technician)
    part = job.parts.get(label="A1")
    url = reverse("bay_part_save", args=[job.number, part.pk]) + "?turn-on"

    def post(**cells: str) -> tuple[int, str]:
        part.refresh_from_db()
        answer = client.post(url, {"version": part.version, **cells})
        return answer.status_code, answer.content.decode()

    Product.objects.filter(pk=floor.amplifier.pk).update(optical_inputs=1)
    assert "digital_input" not in post(input_from="digital")[1]
    Product.objects.filter(pk=floor.amplifier.pk).update(optical_inputs=2)
    assert "Optical 2" in post(input_from="digital", note="x")[1]
    assert post(digital_input="optical 2")[0] == 200
    assert post(digital_input="optical 3")[0] == 422
    assert "digital_input" not in post(digital_input="", input_from="factory_line")[1]


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
