"""Left and right set together, and settings copied: what goes along, what stays, one way back."""

import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.models import ChannelSetting, Job
from jobs.plan.document import plan_of
from jobs.plan.tuning import kin_of
from jobs.services import channels
from jobs.services.tuning import sides
from jobs.services.tuning.records import save_setting
from jobs.undo import undo
from shop.models import StaffMember
from tests.jobs.test_undo_whole import differences, document
from tests.jobs.workshop import Workshop
from tests.racing import at_once

PEAK = {"kind": "peaking", "frequency_hz": 800.0, "gain_db": -3.0, "q": 2.0}


@pytest.fixture
def client(shop_floor: Workshop) -> Client:
    return _client(shop_floor.technician)


def _client(person: StaffMember) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(person)
    return client


def _after(job: Job, number: int, kind: str = "after") -> ChannelSetting:
    return ChannelSetting.objects.get(
        record__job=job, record__kind=kind, channel__number=number, channel__part__label="A1"
    )


def _enter(client: Client, job: Job, number: int, kind: str = "after", **cells: Any) -> Any:
    row = _after(job, number, kind)
    url = reverse("bay_setting_save", args=[job.number, kind, row.channel_id])
    return client.post(url, {"version": row.version, "both": "1", **cells})


@pytest.mark.django_db
def test_an_entry_goes_to_the_other_side_and_one_undo_takes_both_back(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    twin = shop_floor.job()
    shop_floor.wire(twin)
    before = document()
    cells = {
        "level_db": "-7",
        "low_pass_hz": "9000",
        "delay_ms": "3.5",
        "inverted": "true",
        "muted": "true",
        "key": "tablet_1",
        "other_version": _after(job, 2).version,
    }
    answer = _enter(client, job, 1, **cells)
    assert answer.status_code == 200
    own, other = _after(job, 1), _after(job, 2)
    assert (own.level_db, own.low_pass_hz, own.delay_ms) == (-7.0, 9000.0, 3.5)
    assert (own.inverted, own.muted) == (True, True)
    assert (other.level_db, other.low_pass_hz, other.delay_ms) == (-7.0, 9000.0, 1.25)
    assert (other.inverted, other.muted) == (False, False)
    assert _after(job, 3).level_db == _after(twin, 2).level_db == -4.5
    body = answer.content.decode()
    assert 'id="at-A1-2"' in body and "Set on A1.1 and A1.2." in body
    now = document()
    _enter(client, job, 1, **cells)
    assert differences(now, document()) == []
    back = re.search(r'hx-post="([^"]*/undo/\d+/)"', body)
    assert back is not None
    for _ in range(2):
        client.post(back[1])
        assert differences(before, document()) == []


@pytest.mark.django_db
def test_what_belongs_to_one_side_and_what_was_found_stays_there(job: Job, client: Client) -> None:
    body = _enter(client, job, 1, delay_ms="2.5").content.decode()
    assert "On A1.1 alone" in body and _after(job, 2).delay_ms == 1.25
    _enter(client, job, 1, kind="before", level_db="-11")
    assert _after(job, 1, "before").level_db == -11.0
    assert _after(job, 2, "before").level_db == -20.0
    before = _after(job, 2).level_db
    assert _enter(client, job, 1, level_db="loud").status_code == 422
    assert _after(job, 2).level_db == before


@pytest.mark.django_db
def test_what_somebody_else_wrote_on_the_other_side_stands(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    known = _after(job, 2).version
    _enter(_client(shop_floor.manager), job, 2, level_db="-9", both="")
    body = _enter(client, job, 1, level_db="-2", other_version=known).content.decode()
    assert (_after(job, 1).level_db, _after(job, 2).level_db) == (-2.0, -9.0)
    assert "Saved on A1.1 alone" in body
    clash = job.events.get(code="entry.clash")
    assert (clash.before, clash.after) == ({"level_db": -9.0}, {"level_db": -2.0})


@pytest.mark.django_db
def test_the_other_side_is_the_one_channel_with_the_same_speakers_there(
    shop_floor: Workshop, job: Job
) -> None:
    def other_sides(job: Job) -> dict[str, str]:
        return kin_of(plan_of(job)).other_side

    assert other_sides(shop_floor.twins()) == {
        "A1.1": "A1.2",
        "A1.2": "A1.1",
        "A2.1": "A2.2",
        "A2.2": "A2.1",
    }
    assert other_sides(job)["A1.3"] == "A1.4"
    assert kin_of(plan_of(job)).alike["A1.3"] == ("A1.4",)
    by = shop_floor.technician
    tweeter = job.channels.get(number=1).speakers.get()
    channels.put_on(job.number, job.channels.get(number=4).pk, tweeter.pk, actor=by)
    assert other_sides(job) == {"A1.1": "A1.2", "A1.2": "A1.1"}
    apart = shop_floor.job()
    shop_floor.wire(apart)
    for number, coil in ((3, 1), (4, 2)):
        channel, same = (apart.channels.get(number=one) for one in (number, coil))
        channels.take_off(apart.number, channel.pk, channel.speakers.get().pk, actor=by)
        channels.put_on(apart.number, channel.pk, same.speakers.get().pk, actor=by)
    assert other_sides(apart) == {}, "a channel for each of two coils: two face one"
    job.speakers.filter(pk=tweeter.pk).update(position="front_dash_centre")
    assert other_sides(job) == {}


@pytest.mark.django_db
def test_settings_are_copied_to_one_tap_s_channels_and_to_ticked_ones(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    by = shop_floor.technician
    first, second, third, fourth = job.channels.order_by("number")
    for changes in ({"sections": [PEAK]}, {"inverted": True, "muted": True, "delay_ms": 6.0}):
        save_setting(job.number, "after", third.pk, changes, actor=by, version=0, force=True)
    url = reverse("bay_setting_copy", args=[job.number, third.pk])
    asked = client.get(url).content.decode()
    only = re.search(r'name="only" value="([\d.]+)"', asked)
    assert only is not None and only[1] == str(fourth.pk) and "To the other side, A1.4" in asked
    before = document()
    usual = {"what": ["crossovers", "level", "equaliser"], "key": "tablet_1"}
    answer = client.post(url, {**usual, "only": only[1]}).content.decode()
    assert "Copied from A1.3 to A1.4" in answer and "Not copied: delay, polarity and mute" in answer
    copied = _after(job, 4)
    assert copied.sections == [PEAK]
    assert (copied.delay_ms, copied.inverted, copied.muted) == (1.25, False, False)
    again = document()
    client.post(url, {**usual, "only": only[1]})
    assert differences(again, document()) == []
    undo(job.number, job.events.get(code="setting.copied").pk, by)
    assert differences(before, document()) == []
    asked_for = {"what": ["delay", "polarity"], "to": [first.pk, second.pk]}
    assert client.post(url, asked_for).status_code == 200
    for number in (1, 2):
        row = _after(job, number)
        assert (row.delay_ms, row.inverted, row.high_pass_hz) == (6.0, True, 3150.0)
    for nothing in ({"what": ["level"]}, {"to": [first.pk]}, asked_for):
        assert client.post(url, nothing).status_code == 422


@pytest.mark.django_db
def test_an_equaliser_goes_to_both_sides_where_both_have_the_sections(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    own, other = job.channels.get(number=3), job.channels.get(number=4)
    url = reverse("bay_sections_save", args=[job.number, "after", own.pk])
    post = {
        "kind": "peaking",
        "frequency_hz": "800",
        "gain_db": "-3",
        "q": "2",
        "version": _after(job, 3).version,
        "also": other.pk,
        "key": "tablet_1",
    }
    before = document()
    assert b"A1.3 and A1.4 after: 1 section." in client.post(url, post).content
    assert _after(job, 3).sections == _after(job, 4).sections == [PEAK]
    undo(job.number, job.events.get(code="setting.sides").pk, shop_floor.technician)
    assert differences(before, document()) == []
    wrong = client.post(url, {**post, "also": job.channels.get(number=1).pk, "key": "tablet_2"})
    assert wrong.status_code == 422
    shop_floor.amplifier.max_sections = 1
    shop_floor.amplifier.save()
    with pytest.raises(Refused, match=r"A1\.4: 1 sections? a channel, and 2 are to be copied"):
        sides.refuse_too_few([job.channels.select_related("part__product").get(number=4)], 2)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_who_set_both_sides_at_once_leave_them_alike() -> None:
    shop_floor = Workshop()
    job = shop_floor.job()
    shop_floor.wire(job)
    left, right = _after(job, 1), _after(job, 2)

    def put(own: ChannelSetting, other: ChannelSetting, level_db: float, by: StaffMember) -> Any:
        return lambda: sides.set_both(
            job.number,
            own.channel_id,
            other.channel_id,
            {"level_db": level_db},
            actor=by,
            version=own.version,
            other_version=other.version,
            key=f"{by.pk}_1",
        )

    at_once(
        put(left, right, -3.0, shop_floor.technician), put(right, left, -5.0, shop_floor.manager)
    )
    levels = (_after(job, 1).level_db, _after(job, 2).level_db)
    assert levels in {(-3.0, -3.0), (-5.0, -5.0)}
