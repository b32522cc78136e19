"""Reads whose SQL is made once give each job, session and shop its own rows."""

from contextlib import suppress
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import F, Model
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone, translation

from jobs.models import Channel, ChannelSetting, FaultCodes, TuningKind
from jobs.plan import rows
from jobs.plan.document import findings_of, plan_of
from jobs.plan.power import doc
from shop.models import Branch, Product, Shop, SignIn
from shop.prepared import Prepared, Told, _planned, together, write_fields
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


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite plans each time")
def test_postgresql_plans_a_read_once_a_connection_and_gives_each_job_its_own() -> None:
    """Also when it was planned in what was taken back, and on another connection."""
    shop = Workshop()
    first, second = shop.job(), shop.job()
    second.channels.filter(number=1).delete()
    read = Prepared(rows.channels.build, *rows.channels.names)
    with suppress(ZeroDivisionError), transaction.atomic():
        assert read(first.pk)
        raise ZeroDivisionError
    with CaptureQueriesContext(connection) as asked:
        keys = [[row.pk for row in read(job.pk)] for job in (first, second, first)]
    assert [one["sql"].partition(" ")[0] for one in asked.captured_queries] == ["EXECUTE"] * 3
    wanted = [list(job.channels.values_list("pk", flat=True)) for job in (first, second, first)]
    assert [sorted(one) for one in keys] == [sorted(one) for one in wanted]
    assert read(2**63) == []
    other = connection.copy()
    try:
        with other.cursor() as cursor:
            cursor.execute(_planned(other, (first.pk,), read.statement))
            assert cursor.fetchall() == [], "it sees what was committed alone"
    finally:
        other.close()


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


@pytest.mark.once
def test_an_answer_is_kept_for_what_it_says_to_the_type_of_each_value() -> None:
    alike = [("A1", 4.0, None, b"x"), ("A2", 4.0, None, b"x")]
    again = [("".join(("A", "1")), 4.0, None, b"x"), ("A2", 4.0, None, b"x")]
    assert Told(alike) == Told(again)
    assert hash(Told(alike)) == hash(Told(again))
    for one, other in (
        (1, 1.0), (1, True), (0.0, -0.0), (None, ""), ("1", 1), (Decimal("1.0"), Decimal("1.00")),
    ):  # fmt: skip
        assert Told([("A1", one)]) != Told([("A1", other)])
    assert Told(alike) != Told(alike[::-1])


def test_of_a_plan_only_what_the_database_says_otherwise_is_made_anew() -> None:
    """Two amplifiers of one product, and channels that are set alike."""
    job = Workshop().twins()
    first = plan_of(job)
    assert [one.id for one in first.channels] == ["A1.1", "A1.2", "A2.1", "A2.2"]
    assert len({one.name for one in first.devices}) == 1
    again = plan_of(job)
    assert again.devices is first.devices
    assert all(now is was for now, was in zip(again.channels, first.channels, strict=True))

    def changed(then: doc.Plan, before: doc.Plan) -> list[str]:
        pairs = zip(then.channels, before.channels, strict=True)
        return [now.id for now, was in pairs if now is not was]

    Channel.objects.filter(job=job, part__label="A2", number=1).update(measured_load_ohm=1.7)
    measured = plan_of(job)
    assert changed(measured, first) == ["A2.1"]
    assert measured.channels[2].measured_load_ohm == 1.7
    settings = ChannelSetting.objects.filter(record__job=job, record__kind=TuningKind.AFTER)
    settings.filter(channel__part__label="A1", channel__number=2).update(level_db=-7.5)
    softer = plan_of(job)
    assert changed(softer, measured) == ["A1.2"]
    assert softer.channels[1].setting.level_db == -7.5
    assert changed(plan_of(job, TuningKind.BEFORE), measured) == []

    Product.objects.filter(name="Twin Two").update(name="Larch Two", idle_current_a=1.25)
    devices = plan_of(job).devices
    assert {(one.name, one.idle_current_a) for one in devices} == {
        (f"{Product.objects.get(name='Larch Two').maker} Larch Two", 1.25)
    }


@pytest.mark.once
def test_what_is_kept_of_rows_is_kept_for_each_language() -> None:
    job = Workshop().job()
    codes = FaultCodes.objects.get_or_create(job=job)[0]
    FaultCodes.objects.filter(pk=codes.pk).update(before_codes="none", after_codes="B1001\nB1002")
    said = {}
    for language in ("en", "de", "es", "en"):
        with translation.override(language):
            titles = [one.title for one in findings_of(job) if one.rule == "fault-code-new"]
            assert said.setdefault(language, titles) == titles
    assert "B1001 and B1002" in said["en"][0]
    assert "B1001 und B1002" in said["de"][0]
    assert "B1001 y B1002" in said["es"][0]


@pytest.mark.once
def test_marks_of_a_statement_are_places_and_doubled_signs_of_percent_stay_one() -> None:
    with connection.cursor() as cursor:
        for value in ("a", "b"):
            cursor.execute("SELECT %s, '5%%', '%%s'", [value])
            assert cursor.fetchone() == (value, "5%", "%s")
        cursor.execute("SELECT %(one)s", {"one": "c"})
        assert cursor.fetchone() == ("c",)


def test_fields_are_written_as_an_update_writes_them() -> None:
    """Of every kind that a bay sheet has: a row, none, a document, a number, a text, a moment."""
    job = Workshop().twins()
    channel, other = Channel.objects.filter(job=job, part__label="A2")
    setting = ChannelSetting.objects.filter(channel=channel, record__kind=TuningKind.AFTER).get()
    part = job.parts.get(label="A1")
    now = timezone.now()
    written: list[tuple[Model, dict[str, Any]]] = [
        (
            channel,
            {"version": 7, "measured_load_ohm": 3.25, "note": "100 % %s", "joining": "series"},
        ),
        (channel, {"feeds_part": part, "feeds_input": 2}),
        (channel, {"feeds_part": None, "measured_load_ohm": None}),
        (setting, {"sections": [{"kind": "peaking", "frequency_hz": 80.0}], "inverted": True}),
        (job, {"stage_since": now, "version": F("version") + 1}),
    ]
    for row, values in written:
        model = type(row)
        before = model._default_manager.values().get(pk=row.pk)
        beside = Channel.objects.values().get(pk=other.pk)
        with transaction.atomic():
            model._default_manager.filter(pk=row.pk).update(**values)
            wanted = model._default_manager.values().get(pk=row.pk)
            transaction.set_rollback(True)
        assert wanted != before == model._default_manager.values().get(pk=row.pk)
        write_fields(row, values)
        assert model._default_manager.values().get(pk=row.pk) == wanted
        assert Channel.objects.values().get(pk=other.pk) == beside
