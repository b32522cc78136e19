"""Queries of each list page: within a committed budget, and no more of them for more rows."""

import json
from dataclasses import dataclass

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from jobs.lifecycle import LIVE, Stage
from jobs.models import InstallSheet, Job, SavedSetup
from jobs.plan.document import plan_of
from jobs.services.tuning import entered
from shop.models import Product, ProductKind
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import (
    CustomerFactory,
    VehicleFactory,
    make_job,
    make_product,
    make_staff,
)
from tests.jobs.test_typed_in import LIMITS
from tests.jobs.workshop import Workshop

FEW, MANY = 3, 12


@dataclass(frozen=True)
class Budget:
    """A page and the most queries it may make: session, person and shop are three of them."""

    url_name: str
    most: int
    query: str = ""


BUDGETS = (
    Budget("board", 9),
    Budget("board", 9, "?by=bay"),
    Budget("review_queue", 8),
    Budget("find", 11, "?q=LK"),
    Budget("customer_list", 8),
    Budget("vehicle_list", 8),
    Budget("vehicle_model_list", 8),
    Budget("product_list", 8),
    Budget("setup_list", 8),
    Budget("staff_list", 6),
    Budget("bay_list", 6),
    Budget("shop_log", 8),
)


@pytest.fixture
def client_of_a_manager() -> Client:
    client = Client()
    client.force_login(make_staff(Role.MANAGER))
    return client


def _add(count: int) -> None:
    """Rows of every kind that a list shows."""
    for _ in range(count):
        technician = make_staff(Role.TECHNICIAN)
        CustomerFactory()
        VehicleFactory()
        product = make_product(
            kind=ProductKind.SPEAKER, speaker_kind=SpeakerKind.TWEETER, impedance_ohm=4.0
        )
        amplifier = make_product(ratings=[(4, 75, False), (2, 110, False)])
        for stage in sorted(LIVE):
            make_job(stage, parts_wanted=[product, amplifier], technician=technician)
        signed = make_job(Stage.READY_FOR_REVIEW)
        sheet = InstallSheet.objects.create(
            job=signed,
            revision=1,
            document={},
            document_sha256="0" * 64,
            pdf=b"%PDF-1.7\n",
            pdf_sha256="0" * 64,
            signed_by=technician,
            signed_at=signed.stage_since,
        )
        Job.objects.filter(pk=signed.pk).update(stage=Stage.COLLECTED)
        SavedSetup.objects.create(
            vehicle_model=signed.vehicle.vehicle_model,
            name=f"Setup {signed.number}",
            from_sheet=sheet,
            by=technician,
        )


def _queries(client: Client, url: str) -> int:
    with CaptureQueriesContext(connection) as captured:
        answer = client.get(url)
    assert answer.status_code == 200
    return len(captured)


@pytest.mark.once
@pytest.mark.django_db
def test_each_list_keeps_its_budget_at_any_size(client_of_a_manager: Client) -> None:
    """Every list is asked of the same rows: laying them costs more than asking."""
    urls = {budget: reverse(budget.url_name) + budget.query for budget in BUDGETS}
    _add(FEW)
    for url in urls.values():
        _queries(client_of_a_manager, url)
    cache.clear()  # All are drawn anew.
    few = {budget: _queries(client_of_a_manager, url) for budget, url in urls.items()}
    _add(MANY - FEW)
    many = {budget: _queries(client_of_a_manager, url) for budget, url in urls.items()}
    assert {one: many[one] for one in BUDGETS if many[one] > few[one]} == {}, "more for more rows"
    assert {one: many[one] for one in BUDGETS if many[one] > one.most} == {}, "over the budget"


@pytest.mark.once
@pytest.mark.django_db
def test_a_tick_of_an_entry_list_keeps_its_queries_however_long_the_list_is(
    client: Client,
) -> None:
    """A line ticked, a line read back, all of a list by one tap, and the page itself."""
    shop = Workshop()
    Product.objects.filter(pk=shop.amplifier.pk).update(**LIMITS, typed_by="channel")
    client.force_login(shop.technician)

    def made(sections: int) -> list[int]:
        job = shop.job()
        shop.wire(job)
        cut = {"kind": "peaking", "q": 2.0, "gain_db": -3.0}
        for channel in job.channels.all():
            shop.set(
                job, channel, "after",
                {"sections": [{**cut, "frequency_hz": 100.0 * (n + 2)} for n in range(sections)]},
            )  # fmt: skip
        part = job.parts.get(label="A1")
        (one,) = entered.entry_lists(job, plan_of(job))
        line = one.entries[0].line
        channel = job.channels.get(number=1, kind="amplifier")
        page = reverse("bay_entry", args=[job.number])
        row = reverse("bay_entry_save", args=[job.number, channel.pk, line.what])
        wanted = {"wanted": json.dumps(list(line.texts)), "version": 0}
        all_ = reverse("bay_entry_all", args=[job.number, part.pk, "same"])
        seen = {"shown": entered.seen(one.entries), "channel": ""}
        htmx = {"HX-Request": "true"}
        client.get(page)
        counts = []
        for address, data in (
            (row, {**wanted, "typed": "true"}),
            (f"{row}?do=read", {**wanted, "same": "true", "version": 1}),
            (f"{all_}?do=read", seen),
            (page, None),
        ):
            with CaptureQueriesContext(connection) as captured:
                answer = (
                    client.get(address)
                    if data is None
                    else client.post(
                        address, {**data, "key": f"{job.number}-{len(counts)}"}, headers=htmx
                    )
                )
            assert answer.status_code == 200, answer.content.decode()
            own = [one["sql"] for one in captured.captured_queries]
            counts.append(sum(not sql.startswith(("SAVEPOINT", "RELEASE")) for sql in own))
        assert one.total == 20 + 4 * sections
        return counts

    few, many = made(1), made(8)
    assert many == few
    assert few[0] <= 21 and few[1] <= 20 and few[2] <= 36 and few[3] <= 23
