"""Many wires at once: a block pasted into the grid, one cell filled down, and the way back."""

import re
from typing import Any

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import Channel, Job, JobEvent
from jobs.services.moves import move
from jobs.services.wires import NOTHING_NEW, fill_down, write_wires
from jobs.sheet.document import draft, load
from jobs.sheet.values import sheet_values
from tests.factories import make_photo
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db

WIRE = (
    "connector", "positive_cavity", "positive_base", "positive_stripe", "negative_cavity",
    "negative_base", "negative_stripe",
)  # fmt: skip
EMPTY = ("",) * 7


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


@pytest.fixture
def bench(floor: Workshop) -> Client:
    client = Client()
    client.force_login(floor.technician)
    return client


@pytest.fixture
def job(floor: Workshop) -> Job:
    """Four channels that feed a speaker each, no wire written."""
    job = floor.job()
    floor.wire(job)
    job.channels.update(polarity_proved=None, **dict.fromkeys(WIRE, ""))
    return job


def _wires(job: Job) -> list[tuple[Any, ...]]:
    return list(job.channels.order_by("kind", "number").values_list(*WIRE))[:4]


def _paste(client: Client, job: Job, text: str, **more: Any) -> HttpResponse:
    return client.post(
        reverse("bay_wires_paste", args=[job.number]),
        {"text": text, **more},
        headers={"HX-Request": "true"},
    )


def _undo(client: Client, job: Job) -> int:
    event = JobEvent.objects.filter(job=job, code="wires.written").latest("pk")
    return client.post(reverse("bay_undo", args=[job.number, event.pk])).status_code


NAMED = """Channel;Plug;+;colour;-;colour
A1.1;Door plug;1;green white;2;GN/BK
a1.2; Door plug ;3;VT/WH;4
A1.4;;;;;;;x
"""


def test_a_block_is_written_as_a_whole_and_undone_as_a_whole(
    bench: Client, job: Job, floor: Workshop
) -> None:
    answer = _paste(bench, job, NAMED, key="dev_one")
    told = answer.content.decode()
    assert answer.status_code == 422 and "Line 4" in told and "Too many columns" in told
    assert _wires(job) == [EMPTY] * 4 and "A1.1;Door plug;1;green white" in told
    right = NAMED.replace("A1.4;;;;;;;x\n", "")
    told = _paste(bench, job, right, key="dev_two").content.decode()
    wanted = [
        ("Door plug", "1", "GN", "WH", "2", "GN", "BK"),
        ("Door plug", "3", "VT", "WH", "4", "", ""),
    ]
    assert _wires(job) == [*wanted, EMPTY, EMPTY]
    assert "Wires written: A1.1, A1.2." in told and told.count('hx-swap-oob="true"') >= 2
    assert _paste(bench, job, right, key="dev_two").status_code == 200
    again = _paste(bench, job, right, key="dev_three")
    assert again.status_code == 422 and NOTHING_NEW in again.content.decode()
    assert JobEvent.objects.filter(job=job, code="wires.written").count() == 1
    Channel.objects.filter(job=job, number=2).update(positive_cavity="7")
    assert _undo(bench, job) in (204, 302)
    assert _wires(job)[:2] == [EMPTY, ("", "7", "", "", "", "", "")]


def test_a_block_without_channels_goes_on_from_the_cell_it_was_pasted_into(
    bench: Client, job: Job
) -> None:
    second = job.channels.get(number=2)
    _paste(bench, job, "3\tVT/WH\t4\n\n5\tGY\n", at=second.pk, column="positive_cavity")
    assert _wires(job) == [
        EMPTY,
        ("", "3", "VT", "WH", "4", "", ""),
        EMPTY,
        ("", "5", "GY", "", "", "", ""),
    ]
    told = _paste(bench, job, "1\n2\n3\n4\n", at=second.pk, column="positive_cavity")
    assert "There is no row left: the grid ends at A1.4" in told.content.decode()
    told = _paste(bench, job, "true\ntrue", at=second.pk, column="polarity_proved")
    assert "Polarity is proved in the car" in told.content.decode()


def test_a_plug_table_finds_its_channels_by_mark_or_by_place(bench: Client, job: Job) -> None:
    table = "Pin\tColour\tFunction\n1\tGN/WH\tDash left +\n2\tGN/BK\tDash left −\n9\tRD\tSupply\n"
    told = _paste(bench, job, table).content.decode()
    assert "of which plug?" in told
    told = _paste(bench, job, f"{table}3\tGY/WH\tRear +\n", plug="Door plug").content.decode()
    assert "could be A1.3, A1.4: write the channel, “A1.3 +”" in told
    told = _paste(bench, job, f"{table}3\tGY/WH\tBoot +\n", plug="Door plug").content.decode()
    assert "is no row&#x27;s place" in told and _wires(job) == [EMPTY] * 4
    told = _paste(bench, job, f"{table}3\tGY/WH\tA1.3 (+)\n", plug="Door plug").content.decode()
    assert "left out: 9 Supply" in told
    assert _wires(job) == [
        ("Door plug", "1", "GN", "WH", "2", "GN", "BK"),
        EMPTY,
        ("Door plug", "3", "GY", "WH", "", "", ""),
        EMPTY,
    ]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("A1.1;Door;1;lilacish", "is no colour: write GN/WH"),
        ("A1.9;Door", "This job has no channel A1.9: write one of its rows, A1.1"),
        ("A1.1;Door\nDoor;1", "does not begin with a channel as the others do"),
        ("A1.1;Door\nA1.1;Boot", "The Plug of A1.1 is there twice and differs"),
        (f"A1.1;{'x' * 41}", "Plug: "),
        ("A1.1;-;–", "No line names a wire"),
        ("\n" * 3, "No line names a wire"),
        ("A1.1;Door\n" * 201, "At most 200 lines"),
    ],
)
def test_a_block_that_is_not_understood_is_told_and_kept(
    bench: Client, job: Job, text: str, why: str
) -> None:
    answer = _paste(bench, job, text)
    assert answer.status_code == 422 and why in answer.content.decode()
    assert _wires(job) == [EMPTY] * 4


def test_what_stood_and_gives_way_is_not_proved_any_more(job: Job, floor: Workshop) -> None:
    one, two = job.channels.filter(number__in=(1, 2))
    job.channels.update(connector="Door plug", polarity_proved=True)
    cells = {one.pk: {"connector": "Sill plug"}, two.pk: {"positive_base": "GN"}}
    write_wires(job.number, cells, actor=floor.technician)
    proved = job.channels.order_by("number").values_list("polarity_proved", flat=True)
    assert list(proved)[:2] == [None, True]


def test_a_wire_somebody_wrote_meanwhile_keeps_the_whole_block_out(
    job: Job, floor: Workshop
) -> None:
    one, two = job.channels.filter(number__in=(1, 2))
    versions = {one.pk: one.version, two.pk: two.version}
    write_wires(job.number, {two.pk: {"connector": "Sill"}}, actor=floor.manager)
    cells = {one.pk: {"connector": "Door"}, two.pk: {"connector": "Door"}}
    with pytest.raises(ChangedMeanwhile, match=r"wrote the wire of A1\.2 meanwhile"):
        write_wires(job.number, cells, versions=versions, actor=floor.technician, key="x_1")
    assert [wire[0] for wire in _wires(job)[:2]] == ["", "Sill"]
    other = {one.pk: {"connector": "Door"}, two.pk: {"positive_base": "GN"}}
    write_wires(job.number, other, versions=versions, actor=floor.technician, key="x_2")
    assert [wire[:3] for wire in _wires(job)[:2]] == [("Door", "", ""), ("Sill", "", "GN")]


def test_a_cell_is_filled_into_the_empty_ones_below_on_its_device(
    bench: Client, job: Job, floor: Workshop
) -> None:
    first, third = job.channels.get(number=1), job.channels.get(number=3)
    Channel.objects.filter(pk=third.pk).update(connector="Sill plug")
    url = reverse("bay_wires_fill", args=[job.number])
    asked = {"at": first.pk, "column": "connector", "value": "Door plug", "key": "dev_fill"}
    told = bench.post(url, asked, headers={"HX-Request": "true"}).content.decode()
    assert "Wires written: A1.2, A1.4." in told
    assert [wire[0] for wire in _wires(job)] == ["", "Door plug", "Sill plug", "Door plug"]
    bench.post(url, asked, headers={"HX-Request": "true"})
    assert JobEvent.objects.filter(job=job, code="wires.written").count() == 1
    assert _undo(bench, job) in (204, 302)
    assert [wire[0] for wire in _wires(job)] == ["", "", "Sill plug", ""]
    for wrong, why in (
        ({"value": ""}, "That cell is empty"),
        ({"column": "positive_cavity", "value": "1"}, "Tap the cell to fill down first"),
        ({"column": "positive_base", "value": "lilac"}, "valid choice"),
        ({"at": job.channels.get(number=4).pk}, "No row below"),
        ({"at": 987654}, "no longer in the plan"),
    ):
        answer = bench.post(url, {**asked, "key": "", **wrong}, headers={"HX-Request": "true"})
        assert answer.status_code == 422 and why in answer.content.decode()
    with pytest.raises(Refused, match="empty"):
        fill_down(job.number, first.pk, "note", "", actor=floor.technician)


def test_a_channel_that_feeds_nothing_is_not_filled(job: Job, floor: Workshop) -> None:
    job.channels.get(number=3).speakers.clear()
    first = job.channels.get(number=1)
    fill_down(job.number, first.pk, "positive_base", "GN", actor=floor.technician)
    assert [wire[2] for wire in _wires(job)] == ["", "GN", "", "GN"]


def test_the_newest_photo_of_a_plug_stands_beside_its_row(
    bench: Client, job: Job, floor: Workshop
) -> None:
    one, two = job.channels.filter(number__in=(1, 2))
    old, new = (make_photo(job, floor.technician, subject=f"channel:{one.pk}") for _ in range(2))
    url = f"{reverse('bay_channels', args=[job.number])}?show=wires"
    page = bench.get(url).content.decode()
    row = page[page.index(f'data-channel="{one.pk}"') : page.index(f'data-channel="{two.pk}"')]
    assert reverse("photo_thumbnail", args=[job.number, new.pk]) in row
    assert reverse("photo_thumbnail", args=[job.number, old.pk]) not in page


def test_a_closed_sheet_takes_no_block(bench: Client, job: Job, floor: Workshop) -> None:
    floor.prove(job)
    job.channels.update(polarity_proved=True)
    move(job.pk, "finish", floor.technician)
    told = _paste(bench, job, "A1.1;Door plug").content.decode()
    assert "sheet is closed" in told and "A1.1;Door plug" in told
    assert _wires(job) == [EMPTY] * 4


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_blocks_at_once_on_one_version_the_second_is_refused() -> None:
    floor = Workshop()
    job = floor.job()
    rows = {row.number: row for row in job.channels.all()}
    versions = {row.pk: row.version for row in rows.values()}

    def write(plug: str, order: tuple[int, ...], who: Any, key: str) -> JobEvent:
        cells = {rows[number].pk: {"connector": plug} for number in order}
        return write_wires(job.number, cells, versions=versions, actor=who, key=key)

    answers = at_once(
        lambda: write("Door", (1, 2, 3, 4), floor.technician, "a_1"),
        lambda: write("Sill", (4, 3, 2, 1), floor.manager, "b_1"),
        lambda: write("Door", (1, 2, 3, 4), floor.technician, "a_1"),
    )
    written = {one.pk for one in answers if isinstance(one, JobEvent)}
    assert len(written) == 1 and any(isinstance(one, ChangedMeanwhile) for one in answers)
    assert len({wire[0] for wire in _wires(job)}) == 1


def test_how_the_last_wire_was_proved_is_written_beside_the_next(
    bench: Client, job: Job, floor: Workshop
) -> None:
    one, two, three, four = job.channels.order_by("number")[:4]

    def save(channel: Channel, address: str = "bay_proof_save", **cells: str) -> tuple[Any, str]:
        channel.refresh_from_db()
        url = reverse(address, args=[job.number, channel.pk])
        assert bench.post(url, {**cells, "version": channel.version}).status_code == 200
        channel.refresh_from_db()
        return channel.polarity_proved, channel.polarity_by

    assert save(one, polarity_proved="true") == (True, ""), "nobody said how yet"
    assert save(one, polarity_by="pulse") == (True, "pulse")
    assert save(two, polarity_proved="true") == (True, "pulse")
    assert save(three, polarity_proved="true", polarity_by="signal") == (True, "signal")
    assert save(four, "bay_wire_save", polarity_proved="false") == (False, "signal")
    assert save(two, polarity_proved="false") == (False, "pulse"), "what stands is not written over"
    assert save(two, "bay_wire_save", polarity_proved="") == (None, "")
    page = bench.get(f"{reverse('bay_channels', args=[job.number])}?show=polarity").content.decode()
    assert page.count('value="signal" selected') == 2

    write_wires(job.number, {one.pk: {"connector": "Door"}}, actor=floor.technician)
    write_wires(job.number, {one.pk: {"connector": "Sill"}}, actor=floor.technician)
    one.refresh_from_db()
    assert (one.polarity_proved, one.polarity_by) == (None, "")
    assert _undo(bench, job) in (204, 302)
    one.refresh_from_db()
    assert (one.connector, one.polarity_proved, one.polarity_by) == ("Door", True, "pulse")
    document = draft(load(pk=job.pk))
    assert document["polarity_by"] == {
        "A1.1": "Battery pulse", "A1.3": "Signal and meter", "A1.4": "Signal and meter",
    }  # fmt: skip
    shown = {row["id"]: row["polarity"] for row in sheet_values(document)["channels"]}
    assert shown["A1.1"] == "proved, battery pulse"
    del document["polarity_by"]
    shown = {row["id"]: row["polarity"] for row in sheet_values(document)["channels"]}
    assert shown["A1.1"] == "proved", "a sheet from before says what it knows"


def test_a_measured_load_stands_beside_the_one_worked_out(floor: Workshop, bench: Client) -> None:
    job = floor.job()
    floor.wire(job)
    first = job.channels.filter(speakers__isnull=False).distinct()[0]
    Channel.objects.filter(pk=first.pk).update(measured_load_ohm=3.4)
    page = bench.get(reverse("bay_channels", args=[job.number]), {"show": "polarity"})
    rows = re.findall(r'<tr id="at-(A1-\d+)".*?</tr>', page.content.decode(), re.S)
    whole = page.content.decode()
    told = [
        one for one in rows
        if "measured 15\u00a0%\u00a0lower" in whole.split(f'id="at-{one}"')[1].split("</tr>")[0]
    ]  # fmt: skip
    assert told == [f"A1-{first.number}"]
