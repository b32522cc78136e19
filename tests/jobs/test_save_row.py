"""The save of a row itself: what counts as a change, whose change it is, what the log keeps."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from jobs.errors import Refused
from jobs.models import Channel, Job
from jobs.services.saving import CLASH, Saved, as_json, device_of, put_cells_back, save_row
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def channel(job: Job) -> Channel:
    return job.channels.get(part__label="A1", kind="amplifier", number=1)


def _save(
    channel: Channel, actor: StaffMember, version: int, key: str = "", **changes: object
) -> Saved:
    return save_row(
        Channel,
        channel.pk,
        changes,
        number=channel.job.number,
        actor=actor,
        version=version,
        key=key,
    )


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        (date(2026, 3, 9), "2026-03-09"),
        (datetime(2026, 3, 9, 7, 5, tzinfo=UTC), "2026-03-09T07:05:00+00:00"),
        (Decimal("12.50"), "12.5"),
        ([], []),
        ([3, 1], [3, 1]),
        (0, 0),
        (None, None),
    ],
)
def test_a_value_is_kept_as_a_type_the_log_can_hold(value: object, kept: object) -> None:
    assert as_json(value) == kept


@pytest.mark.parametrize(
    ("key", "device"),
    [("tab_one_7", "tab_one"), ("tab_7", "tab"), ("plain-key", ""), ("", ""), (None, "")],
)
def test_a_key_names_its_device_before_the_last_stroke(key: str | None, device: str) -> None:
    assert device_of(key) == device


def test_a_set_of_rows_is_one_cell_whatever_its_order_and_however_it_is_given(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    speakers = list(job.speakers.order_by("pk"))[:2]
    keys = [one.pk for one in speakers]
    for given in (speakers[::-1], job.speakers.filter(pk__in=keys).order_by("-pk")):
        channel.speakers.clear()
        saved = _save(channel, shop_floor.technician, channel.version, speakers=given)
        assert saved.changed
        assert sorted(channel.speakers.values_list("pk", flat=True)) == keys
        assert job.events.latest("pk").after == {"speakers": keys, "version": saved.row.version}
        channel.refresh_from_db()
        assert channel.version == saved.row.version
        assert not _save(channel, shop_floor.technician, channel.version, speakers=given).changed


def test_a_row_is_kept_by_its_key_and_given_again_is_no_change(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    part = job.parts.get(label="A1")
    saved = _save(channel, shop_floor.technician, channel.version, feeds_part=part)
    assert job.events.latest("pk").after["feeds_part"] == part.pk
    again = _save(channel, shop_floor.technician, saved.row.version, feeds_part=part)
    assert not again.changed
    gone = _save(channel, shop_floor.technician, saved.row.version, feeds_part=None)
    assert (gone.changed, job.events.latest("pk").before["feeds_part"]) == (True, part.pk)


def test_each_save_raises_the_version_by_one_and_only_a_change_does(
    shop_floor: Workshop, channel: Channel
) -> None:
    at_first = channel.version
    for turn, note in enumerate(("One", "Two", "Two"), start=1):
        saved = _save(channel, shop_floor.technician, at_first + turn - 1, note=note)
        assert saved.changed is (turn < 3)
        assert saved.row.version == at_first + min(turn, 2)


def test_what_was_written_before_i_looked_is_no_clash(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    """Somebody wrote the cell, I saw it, and meanwhile another cell of the row was written."""
    seen = _save(channel, shop_floor.manager, channel.version, note="Theirs").row.version
    _save(channel, shop_floor.manager, seen, connector="Plug X")
    saved = _save(channel, shop_floor.technician, seen, note="Mine")
    assert (saved.changed, saved.clashes) == (True, [])
    channel.refresh_from_db()
    assert (channel.note, channel.connector) == ("Mine", "Plug X")


def test_the_same_written_by_both_is_no_clash_and_another_names_who_wrote_last(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    seen, second = channel.version, make_staff(Role.MANAGER)
    _save(channel, shop_floor.manager, seen, note="First", connector="Plug X")
    _save(channel, second, seen + 1, note="Same")
    saved = _save(channel, shop_floor.technician, seen, note="Same", connector="Plug Y", key="k")
    (clash,) = saved.clashes
    assert (clash.field, clash.mine, clash.theirs) == ("connector", "Plug Y", "Plug X")
    assert clash.actor == str(shop_floor.manager)
    kept = job.events.filter(code=CLASH).get()
    assert (kept.before, kept.after) == ({"connector": "Plug X"}, {"connector": "Plug Y"})
    assert kept.key == "k-clash"
    again = _save(channel, shop_floor.technician, seen, note="Other", key="k")
    assert [(one.field, one.actor) for one in again.clashes] == [("note", str(second))]
    assert job.events.filter(code=CLASH).count() == 1


def test_clashes_without_a_key_are_kept_each(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    seen = channel.version
    _save(channel, shop_floor.manager, seen, note="Theirs")
    for mine in ("Mine", "Mine still"):
        assert _save(channel, shop_floor.technician, seen, note=mine).clashes
    assert {one.after["note"] for one in job.events.filter(code=CLASH)} == {"Mine", "Mine still"}


def test_one_tablet_in_two_hands_keeps_the_two_apart(
    shop_floor: Workshop, channel: Channel
) -> None:
    seen = channel.version
    _save(channel, shop_floor.manager, seen, "tab_1", note="Hers")
    assert _save(channel, shop_floor.technician, seen, "tab_2", note="His").clashes
    assert not _save(channel, shop_floor.manager, seen, "tab_3", note="Hers again").clashes


def test_what_is_put_back_leaves_what_was_written_since(
    shop_floor: Workshop, job: Job, channel: Channel
) -> None:
    before = (channel.note, channel.connector)
    _save(channel, shop_floor.technician, channel.version, note="Mine", connector="Plug X")
    event = job.events.latest("pk")
    _save(channel, shop_floor.manager, channel.version + 1, connector="Plug Y")
    put_cells_back(Channel, "channel.undone", event, shop_floor.technician)
    channel.refresh_from_db()
    assert (channel.note, channel.connector) == (before[0], "Plug Y")
    assert job.events.latest("pk").code == "channel.undone"
    assert job.events.latest("pk").after.keys() == {"note", "version"}


def test_what_is_gone_cannot_be_put_back(shop_floor: Workshop, job: Job, channel: Channel) -> None:
    _save(channel, shop_floor.technician, channel.version, note="Mine")
    event = job.events.latest("pk")
    channel.delete()
    with pytest.raises(Refused, match="no longer in the plan"):
        put_cells_back(Channel, "channel.undone", event, shop_floor.technician)
