"""Plugs written down once: their tables, their faces, and the wires they fill on a bay sheet."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, connections
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from lxml import etree

from jobs.models import Channel, Job, JobEvent
from jobs.plan.plug_face import face, pairs
from jobs.services.moves import move
from shop.models import PlugCavity, PlugTable, ShopEvent, VehicleModel
from shop.reads.events import entry_of
from shop.services.plugs import Known, save_cavities, save_plug
from tests.factories import VehicleModelFactory
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db

TABLE = """Cavity\tColour\tFunction\tKnown
1\tgreen white\tFront left +\tproved\tmeter, first car
2\tGN/BK\tFront left -\tproved
3\tVT\tFront right +\tdocument
4\tVT/BK\tFront right -\tDrawing 14
"""


@pytest.fixture
def bench(shop_floor: Workshop) -> Client:
    client = Client()
    client.force_login(shop_floor.technician)
    return client


@pytest.fixture
def model() -> VehicleModel:
    made = VehicleModelFactory()
    assert isinstance(made, VehicleModel)
    return made


def _plug(model: VehicleModel, name: str = "Door plug", text: str = TABLE) -> PlugTable:
    table = PlugTable.objects.create(vehicle_model=model, name=name)
    if text:
        client = Client()
        client.force_login(Workshop().technician)
        assert _paste(client, table, text).status_code == 302
    return table


def _paste(client: Client, table: PlugTable, text: str, **more: Any) -> HttpResponse:
    return client.post(reverse("plug_paste", args=[table.pk]), {"text": text, **more})


def _known(table: PlugTable) -> dict[str, tuple[str, str, str, str]]:
    rows = table.cavities.all()
    return {one.cavity: (one.base, one.stripe, one.function, one.proof) for one in rows}


def test_a_pasted_table_is_read_column_by_column(model: VehicleModel) -> None:
    table = _plug(model)
    assert _known(table) == {
        "1": ("GN", "WH", "Front left +", "proved"),
        "2": ("GN", "BK", "Front left -", "proved"),
        "3": ("VT", "", "Front right +", "document"),
        "4": ("VT", "BK", "Front right -", "document"),
    }
    assert table.cavities.get(cavity="4").source == "Drawing 14"
    assert [(one.function, one.proved) for one in pairs(table.cavities.all())] == [
        ("Front left", True),
        ("Front right", False),
    ]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("\tGN\tFront left +", "does not begin with a pin"),
        ("1\tpurplish\tFront left +", "“purplish” is no colour"),
        ("1\tGN\t" + "x" * 61, "longer than 60"),
        ("1\tGN\tFront left +\n1\tBK\tFront left -", "Pin 1 is there twice"),
        ("\n" * 5, "No line names a pin"),
        ("1\tGN\n" * 201, "At most 200 lines"),
    ],
)
def test_a_table_that_cannot_be_read_writes_nothing_and_is_kept(
    bench: Client, model: VehicleModel, line: str, why: str
) -> None:
    table = _plug(model, text="")
    answer = _paste(bench, table, f"9\tRD\tSupply\n{line}" if line.strip() else line)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert why in page
    assert line.strip()[:20].replace("\t", "\t") in page
    assert not table.cavities.exists()


def test_what_was_proved_does_not_give_way_to_a_pasted_document(
    bench: Client, model: VehicleModel
) -> None:
    table = _plug(model)
    url = reverse("plug_paste", args=[table.pk])
    text = "1\tRD\tSupply\n3\tBN\tRear left +\n4\tBN/BK\tRear left -\tproved\n2\tGY\tMute\tproved"
    page = bench.post(url, {"text": text, "source": "Manual"}, follow=True).content.decode()
    assert "1: proved in a car, left as it was" in page
    assert _known(table) == {
        "1": ("GN", "WH", "Front left +", "proved"),
        "2": ("GY", "", "Mute", "proved"),
        "3": ("BN", "", "Rear left +", "document"),
        "4": ("BN", "BK", "Rear left -", "proved"),
    }
    assert table.cavities.get(cavity="3").source == "Manual"
    one = {"cavity": "1", "base": "RD", "function": "Supply", "proof": "document"}
    bench.post(reverse("plug_cavity", args=[table.pk]), one)
    assert _known(table)["1"] == ("RD", "", "Supply", "document")


def test_a_cavity_without_colour_and_function_is_taken_out(
    bench: Client, model: VehicleModel
) -> None:
    table = _plug(model)
    url = reverse("plug_cavity", args=[table.pk])
    bad = bench.post(url, {"cavity": "1", "base": "lilacish", "proof": "proved"})
    assert bad.status_code == 422
    assert "lilacish" in bad.content.decode()
    assert "1" in _known(table)
    bench.post(url, {"cavity": "1", "proof": "document"})
    assert "1" not in _known(table)


def test_two_plugs_of_one_name_only_where_they_have_two_owners(
    bench: Client, model: VehicleModel, shop_floor: Workshop
) -> None:
    face_of = {"name": " Door plug ", "rows": 2, "columns": 4, "seen_from": "wires", "note": ""}
    create = reverse("model_plug_create", args=[model.pk])
    assert bench.post(create, face_of).status_code == 302
    again = bench.post(create, face_of)
    assert again.status_code == 422
    assert "has a plug of that name already" in again.content.decode()
    product = reverse("product_plug_create", args=[shop_floor.amplifier.pk])
    assert bench.post(product, face_of).status_code == 302
    too_wide = bench.post(create, {**face_of, "name": "Wide", "columns": 31})
    assert too_wide.status_code == 422
    assert PlugTable.objects.count() == 2


def test_the_face_draws_each_cavity_where_it_sits_and_how_it_is_known(model: VehicleModel) -> None:
    table = _plug(model)
    svg = etree.fromstring(str(face(table, list(table.cavities.all()), ("2",))))
    ns = {"s": "http://www.w3.org/2000/svg"}
    cavities = svg.findall("s:g", ns)
    assert [one.findtext("s:text", namespaces=ns) for one in cavities] == ["1", "2", "3", "4"]
    assert [one.get("class") for one in cavities] == ["cavity", "cavity chosen", "cavity", "cavity"]
    dashed = [one.find("s:rect", ns).get("stroke-dasharray") for one in cavities]
    assert dashed == [None, None, "4 3", "4 3"]
    left = [float(one.find("s:rect", ns).get("x")) for one in cavities]
    assert left == sorted(left) and len(set(left)) == 4
    assert len(svg.findall("s:rect[@class='empty']", ns)) == 2 * 8 - 4


def test_a_cavity_named_otherwise_takes_a_free_place_and_two_of_one_place_both_show(
    model: VehicleModel, shop_floor: Workshop
) -> None:
    table = PlugTable.objects.create(vehicle_model=model, name="Odd", rows=2, columns=2)
    known = [Known(name, "GN") for name in ("B1", "3", "left", "99")]
    save_cavities(table, known, shop_floor.technician)
    drawn = str(face(table, list(table.cavities.all())))
    assert all(f">{name[:4]}</text>" in drawn for name in ("B1", "3", "left", "99"))


# On the bay sheet


@pytest.fixture
def job(shop_floor: Workshop, model: VehicleModel) -> Job:
    return shop_floor.job(model)


def _use(client: Client, job: Job, channel: Channel, plus: str, minus: str) -> HttpResponse:
    cavities = {one.cavity: one.pk for one in PlugCavity.objects.filter(table__name="Door plug")}
    return client.post(
        reverse("bay_plug", args=[job.number, channel.pk]),
        {"plus": cavities[plus], "minus": cavities[minus], "version": channel.version},
        headers={"HX-Request": "true"},
    )


WIRE = (
    "connector", "positive_cavity", "positive_base", "positive_stripe", "negative_cavity",
    "negative_base", "negative_stripe", "polarity_proved",
)  # fmt: skip


def _wire(channel: Channel) -> tuple[Any, ...]:
    channel.refresh_from_db()
    return tuple(getattr(channel, name) for name in WIRE)


def test_plugs_of_the_model_and_of_the_modules_fill_a_wire_and_prove_nothing(
    bench: Client, job: Job, model: VehicleModel, shop_floor: Workshop
) -> None:
    _plug(model)
    _plug(VehicleModelFactory(), "Plug of another model")
    PlugTable.objects.create(product=shop_floor.amplifier, name="Amplifier plug")
    one, two = job.channels.filter(kind="amplifier")[:2]
    page = bench.get(reverse("bay_plug", args=[job.number, one.pk])).content.decode()
    assert "Door plug" in page and "Amplifier plug" in page and "Front right" in page
    assert "Plug of another model" not in page

    Channel.objects.filter(pk=one.pk).update(polarity_proved=True)
    answer = _use(bench, job, one, "1", "2")
    assert answer.status_code == 200
    assert 'hx-swap-oob="true"' in answer.content.decode()
    assert _wire(one) == ("Door plug", "1", "GN", "WH", "2", "GN", "BK", None)
    assert _wire(two)[0] == ""
    event = JobEvent.objects.filter(job=job, subject=f"channel:{one.pk}").latest("pk")
    undone = bench.post(
        reverse("bay_undo", args=[job.number, event.pk]), headers={"HX-Request": "true"}
    )
    assert undone.status_code == 204
    assert _wire(one) == ("", "", "", "", "", "", "", True)


def test_one_cavity_twice_cavities_of_two_plugs_and_a_closed_sheet_are_refused(
    bench: Client, job: Job, model: VehicleModel, shop_floor: Workshop
) -> None:
    table, other = _plug(model), _plug(model, "Boot plug")
    channel = job.channels.filter(kind="amplifier")[0]
    assert "Choose two pins of one plug" in _use(bench, job, channel, "1", "1").content.decode()
    mixed = bench.post(
        reverse("bay_plug", args=[job.number, channel.pk]),
        {"plus": table.cavities.all()[0].pk, "minus": other.cavities.all()[1].pk, "version": 1},
        headers={"HX-Request": "true"},
    )
    assert "Choose two pins of one plug" in mixed.content.decode()
    shop_floor.wire(job)
    shop_floor.prove(job)
    before = _wire(channel)
    move(job.pk, "finish", shop_floor.technician)
    assert "sheet is closed" in _use(bench, job, channel, "1", "2").content.decode()
    assert _wire(channel) == before


def test_a_wire_somebody_wrote_meanwhile_stays(
    bench: Client, job: Job, model: VehicleModel
) -> None:
    _plug(model)
    channel = job.channels.filter(kind="amplifier")[0]
    stale = Channel.objects.get(pk=channel.pk)
    _use(bench, job, channel, "3", "4")
    told = _use(bench, job, stale, "1", "2").content.decode()
    assert "Somebody wrote the wire" in told
    assert _wire(channel)[:2] == ("Door plug", "3")


def test_removing_a_plug_leaves_the_wires(bench: Client, job: Job, model: VehicleModel) -> None:
    table = _plug(model)
    channel = job.channels.filter(kind="amplifier")[0]
    _use(bench, job, channel, "1", "2")
    assert bench.post(reverse("plug_remove", args=[table.pk])).status_code == 302
    assert not PlugCavity.objects.exists()
    assert _wire(channel)[0] == "Door plug"
    event = ShopEvent.objects.get(code="plugtable.removed")
    assert event.before["cavity 1"] == "GN/WH, Front left +, proved in a car, meter, first car"


def test_the_log_tells_of_each_cavity_from_and_to(bench: Client, model: VehicleModel) -> None:
    table = _plug(model)
    one = {"cavity": "3", "base": "BN", "function": "Front right +", "proof": "proved"}
    bench.post(reverse("plug_cavity", args=[table.pk]), one)
    bench.post(reverse("plug_cavity", args=[table.pk]), one)
    events = ShopEvent.objects.filter(code="plugtable.changed")
    assert events.count() == 2
    assert [tuple(told) for told in entry_of(events.latest("pk")).told] == [
        ("Pin 3", "“VT, Front right +, from a document”", "“BN, Front right +, proved in a car”")
    ]


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_who_write_one_name_at_once_the_second_is_told() -> None:
    model, person = VehicleModelFactory(), Workshop().technician
    start = Barrier(4)

    def write(_: int) -> str:
        try:
            start.wait(10)
            save_plug(PlugTable(vehicle_model=model, name="Door plug"), person)
        except ValidationError as error:
            return error.messages[0]
        finally:
            connections.close_all()
        return ""

    with ThreadPoolExecutor(4) as people:
        told = sorted(people.map(write, range(4)))
    assert told == ["", *["This model has a plug of that name already."] * 3]
    assert PlugTable.objects.count() == 1
