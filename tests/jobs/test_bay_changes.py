"""Two people on one sheet: what is queued on one device, what others see of it, what is kept."""

import re
from typing import Any
from urllib.parse import unquote

import pytest
from django.contrib.staticfiles import finders
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.models import Channel, Job
from jobs.reads.history import history_of
from jobs.services.channels import put_on
from jobs.services.speaker_sets import place_set, sets_to_place
from shop.models import StaffMember, Tablet
from shop.roles import Role
from tests.factories import BayFactory, make_job, make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(shop_floor: Workshop) -> Job:
    return shop_floor.job()


def _client(person: StaffMember) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(person)
    return client


def _channel(job: Job) -> Channel:
    return job.channels.get(part__label="A1", kind="amplifier", number=1)


def _save(client: Client, channel: Channel, version: int, **fields: Any) -> HttpResponse:
    url = reverse("bay_wire_save", args=[channel.job.number, channel.pk])
    return client.post(url, {"version": version, **fields})


def _ask(client: Client, job: Job, since: int | str, section: str, **more: str) -> HttpResponse:
    asked = {"since": since, "section": section, **more}
    return client.get(reverse("bay_changes", args=[job.number]), asked)


def _since(client: Client, job: Job, section: str) -> str:
    url = reverse(f"bay_{section}", args=[job.number])
    page = client.get(url, headers={"HX-Request": "false"}).content.decode()
    found = re.search(r'data-since="(\d+)"', page)
    assert found
    return found[1]


def test_saves_queued_on_one_version_by_one_device_follow_each_other(
    shop_floor: Workshop, job: Job
) -> None:
    client, channel = _client(shop_floor.technician), _channel(job)
    for turn, value in enumerate(("First", "Second", "Third")):
        answer = _save(client, channel, channel.version, connector=value, key=f"tab1_{turn}")
        assert answer.status_code == 200
    assert _channel(job).connector == "Third"


@pytest.mark.parametrize("key", ["tab2_1", "plain-key", ""])
def test_a_stale_save_of_another_device_of_the_same_person_is_a_clash(
    shop_floor: Workshop, job: Job, key: str
) -> None:
    client, channel = _client(shop_floor.technician), _channel(job)
    _save(client, channel, channel.version, connector="From the desk", key="desk_1")
    answer = _save(client, channel, channel.version, connector="From the tablet", key=key)
    assert answer.status_code == 409
    assert _channel(job).connector == "From the desk"


def test_somebody_else_between_two_queued_saves_is_a_clash_that_the_log_keeps_once(
    shop_floor: Workshop, job: Job
) -> None:
    mine, channel = _client(shop_floor.technician), _channel(job)
    _save(mine, channel, channel.version, note="Mine", key="tab1_1")
    _save(_client(shop_floor.manager), _channel(job), channel.version + 1, connector="Theirs")
    for _ in range(2):
        answer = _save(mine, channel, channel.version, connector="Mine too", key="tab1_2")
        assert answer.status_code == 409
    assert _channel(job).connector == "Theirs"
    said = [one.sentence for one in history_of(job, whole=True)]
    kept = [one for one in said if "two people wrote at once" in one]
    assert len(kept) == 1
    assert "stayed Theirs, not Mine too" in kept[0]


def test_nothing_new_is_answered_without_a_word(
    shop_floor: Workshop, job: Job, django_assert_num_queries: Any
) -> None:
    client = _client(shop_floor.technician)
    since = _since(client, job, "channels")
    with django_assert_num_queries(4):  # shop, session, person, events
        answer = _ask(client, job, since, "channels")
    assert (answer.status_code, answer["Loombook-Since"]) == (204, since)


def test_the_row_that_somebody_else_changed_comes_alone(shop_floor: Workshop, job: Job) -> None:
    mine, channel = _client(shop_floor.technician), _channel(job)
    since = _since(mine, job, "channels")
    _save(_client(shop_floor.manager), channel, channel.version, connector="Plug Q", key="tab9_1")
    wires = _ask(mine, job, since, "channels", show="wires").content.decode()
    assert wires.count("data-cell-form") == 1
    assert 'value="Plug Q"' in wires
    before = _ask(mine, job, since, "before")
    assert (before.status_code, before.content) == (200, b"")
    assert int(before["Loombook-Since"]) > int(since)


def test_a_device_is_not_told_of_its_own_saves(shop_floor: Workshop, job: Job) -> None:
    mine, channel = _client(shop_floor.technician), _channel(job)
    since = _since(mine, job, "channels")
    _save(mine, channel, channel.version, connector="Plug Q", key="tab1_1")
    answer = _ask(mine, job, since, "channels", show="wires", device="tab1")
    assert answer.status_code == 204
    assert int(answer["Loombook-Since"]) > int(since)
    assert _ask(mine, job, since, "channels", device="tab2").status_code == 200
    other = _client(shop_floor.manager)
    assert _ask(other, job, since, "channels", device="tab1").status_code == 200


def test_what_follows_from_ones_own_save_is_ones_own_too(shop_floor: Workshop, job: Job) -> None:
    mine = _client(shop_floor.technician)
    since = _since(mine, job, "channels")
    members = next(one.members for one in sets_to_place(job) if len(one.members) == 2)
    place_set(job.number, members, actor=shop_floor.technician, key="tab1_1")
    assert job.events.filter(pk__gt=since, key=None).count() == 4
    assert _ask(mine, job, since, "channels", device="tab1").status_code == 204
    elsewhere = _ask(mine, job, since, "channels", device="tab2")
    assert unquote(elsewhere["Loombook-By"]) == "You, elsewhere,"
    other = _ask(_client(shop_floor.manager), job, since, "channels", device="tab1")
    assert unquote(other["Loombook-By"]) == str(shop_floor.technician)
    channel = job.channels.get(number=4)
    by = shop_floor.manager
    put_on(job.number, channel.pk, job.speakers.all()[0].pk, actor=by)
    told = _ask(mine, job, since, "channels", device="tab1")
    assert unquote(told["Loombook-By"]) == str(by)


@pytest.mark.parametrize(
    ("section", "whole"), [("notes", True), ("channels", False), ("steps", False)]
)
def test_a_note_concerns_the_notes_alone(
    shop_floor: Workshop, job: Job, section: str, whole: bool
) -> None:
    mine = _client(shop_floor.technician)
    since = _since(mine, job, section)
    url = reverse("bay_note_add", args=[job.number])
    _client(shop_floor.manager).post(url, {"text": "Sill clip cracked."})
    answer = _ask(mine, job, since, section)
    assert ("Loombook-Whole" in answer.headers) is whole


@pytest.mark.parametrize("section", ["fit", "channels", "power", "tuning", "findings"])
def test_what_adds_a_row_has_the_page_read_again(
    shop_floor: Workshop, job: Job, section: str
) -> None:
    mine = _client(shop_floor.technician)
    since = _since(mine, job, section)
    shop_floor.wire(job)
    assert "Loombook-Whole" in _ask(mine, job, since, section).headers


def test_kept_are_the_open_jobs_of_the_person_and_of_the_tablets_bay(client: Client) -> None:
    person, manager = make_staff(Role.TECHNICIAN), make_staff(Role.MANAGER)
    bay = BayFactory()
    mine = make_job(Stage.IN_BAY, technician=person)
    make_job(Stage.BOOKED, technician=person)
    of_the_bay = make_job(Stage.CHECKED_IN, bay=bay)
    elsewhere = make_job(Stage.CHECKED_IN)

    def kept() -> set[int]:
        client.force_login(person)
        return {one["number"] for one in client.get(reverse("kept_jobs")).json()["jobs"]}

    assert kept() == {mine.number}
    client.force_login(manager)
    client.post(reverse("tablet_register"), {"name": "Tablet 7", "bay": bay.pk})
    assert Tablet.objects.get().bay == bay
    assert kept() == {mine.number, of_the_bay.number}
    assert elsewhere.number not in kept()
    page = client.get(reverse("kept_jobs")).json()["jobs"][0]["pages"]
    assert all(client.get(address).status_code == 200 for address in page)


def test_the_worker_names_files_that_exist_and_is_asked_for_anew_each_time() -> None:
    answer = Client().get("/sw.js")
    assert answer["Cache-Control"] == "no-cache"
    program = answer.content.decode()
    found = re.search(r"const SHELL = \[(.*?)\];", program)
    assert found
    names = re.findall(r'"/static/([^"]+)"', found[1])
    assert len(names) > 20
    assert [name for name in names if not finders.find(name)] == []
    assert [name for name in names if "wasm" in name or "install-sheet" in name] == []


def test_the_manifest_opens_the_board_with_icons_of_its_own() -> None:
    facts = Client().get(reverse("manifest")).json()
    assert (facts["start_url"], facts["display"]) == ("/board/", "standalone")
    assert {one["sizes"] for one in facts["icons"]} == {"192x192", "512x512"}
    assert all(finders.find(one["src"].removeprefix("/static/")) for one in facts["icons"])


def test_an_answer_says_for_whom_it_was_made(shop_floor: Workshop) -> None:
    client = _client(shop_floor.technician)
    assert client.get("/board/")["Loombook-Person"] == str(shop_floor.technician.pk)
    client.post(reverse("logout"))
    assert client.get(reverse("login"))["Loombook-Person"] == "0"
