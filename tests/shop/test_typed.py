"""Text from addresses and forms: nonsense is nothing, never a crash."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job
from shop.roles import Role
from shop.typed import LARGEST, whole
from tests.factories import BayFactory, make_job, make_staff

NONSENSE = ("", "abc", "-1", "1.5", "²", "9" * 30, "1'--", "\x00")


@pytest.mark.parametrize("text", NONSENSE)
def test_what_is_no_whole_number(text: str) -> None:
    assert whole(text) is None


def test_whole_numbers() -> None:
    assert (whole(" 42 "), whole(str(LARGEST)), whole(None)) == (42, LARGEST, None)
    assert whole(str(LARGEST + 1)) is None


@pytest.mark.django_db
@pytest.mark.parametrize("text", NONSENSE)
def test_no_page_of_the_desk_breaks_on_nonsense(client: Client, text: str) -> None:
    client.force_login(make_staff(Role.FRONT_DESK, Role.MANAGER))
    BayFactory()
    job = make_job()
    names = ("customer", "vehicle", "vehicle_model", "comeback_of", "day", "bay", "who", "job",
             "starts_at_0", "starts_at_1", "ends_at_0", "ends_at_1", "q", "page", "seen",
             "customer_search", "vehicle_search", "model_search", "part_search", "vehicle-vin",
             "owner", "kind", "version", "odometer", "mark_kind", "mark_x", "mark_y",
             "mark_note", "product", "quantity", "part_product", "part_quantity",
             "reason")  # fmt: skip
    data: dict[str, Any] = dict.fromkeys(names, text)
    pages = (
        "board", "find", "book", "customer_options", "customer_pick", "vehicle_options",
        "vehicle_pick", "model_options", "model_pick", "part_options", "bay_day", "vin_report",
        "customer_list", "vehicle_list", "vehicle_create", "vehicle_model_list", "product_list",
    )  # fmt: skip
    for name in pages:
        assert client.get(reverse(name), data).status_code in {200, 404}, name
    posts = [("book", []), *((name, [job.number]) for name in ("job_edit", "check_in", "part_add"))]
    for name, args in posts:
        assert client.post(reverse(name, args=args), data).status_code in {302, 404, 422}, name
    assert Job.objects.count() == 1
