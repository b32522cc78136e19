"""Reads whose SQL is made once give each job, session and shop its own rows."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.plan import rows
from shop.models import Branch, Shop, SignIn
from shop.prepared import together
from shop.roles import Role
from tests.factories import make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db

READS = (rows.devices, rows.speakers, rows.channels, rows.runs, rows.supply, rows.beside_the_plan)


def test_what_is_asked_at_once_is_what_each_read_says_of_that_job() -> None:
    shop = Workshop()
    first, second = shop.job(), shop.job()
    second.channels.filter(number=1).delete()
    for job in (first, second, first):
        assert together(job.pk, *READS) == [read(job.pk) for read in READS]
    assert together(first.pk, *READS) != together(second.pk, *READS)
    assert [row.pk for row in rows.channels(second.pk)] != []


def test_a_session_that_is_over_or_ended_opens_nothing_and_each_opens_its_own() -> None:
    people = [make_staff(Role.TECHNICIAN), make_staff(Role.FRONT_DESK)]
    clients = [Client(), Client()]
    for client, person in zip(clients, people, strict=True):
        client.force_login(person)
    board = reverse("board")
    seen = [client.get(board).headers["Loombook-Person"] for client in clients]
    assert seen == [str(person.pk) for person in people]
    SignIn.objects.filter(person=people[0]).update(expire_date=timezone.now() - timedelta(hours=1))
    assert clients[0].get(board).status_code == 302
    people[1].is_active = False
    people[1].save()
    assert clients[1].get(board).status_code == 302


def test_the_shop_is_read_as_it_is_now() -> None:
    assert not Shop.objects.current().several_branches
    Shop.objects.filter(pk=1).update(name="Lantern Lane Sound")
    Branch.objects.create(name="Quay", letters="Q")
    shop = Shop.objects.current()
    assert (shop.name, shop.several_branches) == ("Lantern Lane Sound", True)
