"""A product's inputs corrected at the bench, and the manager's look at it."""

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.urls import reverse

from shop.models import Product, ProductKind, ShopEvent
from shop.roles import Role
from shop.services.products import correct_inputs, corrections, inputs_seen, look_at_correction
from tests.factories import make_product, make_staff
from tests.racing import at_once


def _post(client: Client, product: Product, **values: str) -> int:
    seen = inputs_seen(Product.objects.get(pk=product.pk))
    post = {"line_inputs": "2", "input_max_v": "", "note": "On its case", "seen": seen, **values}
    return client.post(reverse("product_inputs", args=[product.pk]), post).status_code


@pytest.mark.django_db
def test_the_bench_corrects_inputs_and_the_manager_keeps_or_puts_back() -> None:
    product, twin = (make_product(name="Twin Four", line_inputs=4) for _ in range(2))
    technician, manager = make_staff(Role.TECHNICIAN), make_staff(Role.MANAGER)
    bench, office = Client(), Client()
    bench.force_login(technician)
    office.force_login(manager)
    page = bench.get(reverse("product", args=[product.pk])).content.decode()
    assert "Correct its inputs" in page
    assert _post(bench, product, note="") == _post(bench, product, line_inputs="99") == 422
    assert not ShopEvent.objects.filter(code="product.corrected").exists()
    for _ in range(2):
        assert _post(bench, product, input_max_v="9.5", input_sensitivity_min_v="0.2") == 302
    product.refresh_from_db()
    assert (product.line_inputs, product.input_max_v) == (2, 9.5)
    assert Product.objects.get(pk=twin.pk).line_inputs == 4
    (event,) = corrections()
    assert event.before["line_inputs"] == 4 and event.after["note"] == "On its case"
    listed = office.get(reverse("product_list")).content.decode()
    assert "Inputs corrected" in listed and "On its case" in listed
    assert "Inputs corrected" not in bench.get(reverse("product_list")).content.decode()
    Product.objects.filter(pk=product.pk).update(input_max_v=8.0)
    url = reverse("product_correction", args=[event.pk])
    for _ in range(2):
        assert office.post(url, {"do": "put_back"}).status_code == 302
    product.refresh_from_db()
    assert (product.line_inputs, product.input_max_v) == (4, 8.0)
    assert product.input_sensitivity_min_v is None
    assert corrections() == []
    assert office.post(reverse("product_correction", args=[event.pk - 1])).status_code == 404


@pytest.mark.django_db
def test_what_the_page_no_longer_shows_right_is_not_written_over() -> None:
    product = make_product(line_inputs=4)
    technician = make_staff(Role.TECHNICIAN)
    seen = inputs_seen(product)
    Product.objects.filter(pk=product.pk).update(line_inputs=6)
    with pytest.raises(ValidationError, match="Somebody changed these figures"):
        correct_inputs(product.pk, {"line_inputs": 2}, "On its case", seen, technician)
    assert correct_inputs(product.pk, {"line_inputs": 6}, "As is", seen, technician) is None
    client = Client()
    client.force_login(technician)
    speaker = make_product(kind=ProductKind.SPEAKER, impedance_ohm=4.0)
    assert client.get(reverse("product_inputs", args=[speaker.pk])).status_code == 404


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_managers_at_once_look_at_a_correction_once() -> None:
    product, managers = make_product(line_inputs=4), [make_staff(Role.MANAGER) for _ in range(2)]
    event = correct_inputs(product.pk, {"line_inputs": 2}, "n", inputs_seen(product), managers[0])
    assert event is not None
    answers = at_once(
        *(
            lambda who=who, back=back: look_at_correction(event.pk, who, put_back=back)
            for who, back in zip(managers, (True, False), strict=True)
        )
    )
    assert sorted(map(str, answers)) == ["False", "True"]
    assert ShopEvent.objects.filter(code="product.looked_at").count() == 1
