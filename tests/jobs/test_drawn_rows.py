"""What is kept of a row's drawing is what would be drawn anew, whatever changes beside it."""

import re

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import translation
from django.utils.safestring import SafeString

from jobs.models import Channel, ChannelSetting, JobSpeaker
from shop import drawn as kept
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.once

_ROWS = re.compile(r"<tr .*</tr>", re.DOTALL)


def _rows(client: Client, number: int) -> list[str]:
    """The rows of channels with what they feed, and with their settings."""
    shown = []
    for page in ("speakers", "settings"):
        address = f"{reverse('bay_channels', args=[number])}?show={page}"
        rows = _ROWS.search(client.get(address).content.decode())
        assert rows is not None
        shown.append(rows[0])
    return shown


@pytest.mark.django_db
def test_a_kept_row_is_the_row_that_would_be_drawn_anew() -> None:
    """Of two amplifiers alike, one after the other of all that their rows show is changed."""
    job = Workshop().twins()
    type(job).objects.filter(pk=job.pk).update(stage="in_bay")
    technician, desk = Client(), Client()
    person = make_staff(Role.TECHNICIAN)
    technician.force_login(person)
    desk.force_login(make_staff(Role.FRONT_DESK))
    of_second = {"part__label": "A2", "number": 1}
    channel = Channel.objects.filter(job=job, **of_second)
    settings = ChannelSetting.objects.filter(record__job=job, channel__in=channel)
    speaker = JobSpeaker.objects.filter(channels__in=channel)
    changes = (
        lambda: None,
        lambda: channel.update(output_limit_v=17.5, joining="series", version=9),
        lambda: settings.update(level_db=-9.5),
        lambda: settings.update(sections=[{"kind": "bell", "frequency_hz": 80.0}]),
        lambda: speaker.update(passive="4.7 µF"),
        lambda: speaker.update(part=None),
        lambda: StaffMember.objects.filter(pk=person.pk).update(language="de"),
        lambda: StaffMember.objects.filter(pk=person.pk).update(language="es"),
        lambda: type(job).objects.filter(pk=job.pk).update(stage="ready_for_review"),
    )
    seen = [_rows(desk, job.number)]
    for at, change in enumerate(changes):
        change()
        now = _rows(technician, job.number)
        kept._drawn.cache_clear()
        assert now == _rows(technician, job.number)
        assert now != seen[-1], f"change {at} is not to be seen"
        seen.append(now)


def test_a_piece_is_kept_for_its_facts_to_their_type_and_in_its_language() -> None:
    def name(under: str, place: str = "A1.1") -> str:
        return kept.drawn("bay/channel_name.html", place=place, under=under, mark="", photo="")

    kept._drawn.cache_clear()
    assert name("<b>a</b>") == name("<b>a</b>")
    assert kept._drawn.cache_info().hits == 1
    assert "&lt;b&gt;a" in name("<b>a</b>")
    assert "<b>a" in name(SafeString("<b>a</b>"))
    assert "A2.1" in name("<b>a</b>", "A2.1")

    def side() -> str:
        facts = {"kind": "before", "place": "A1.1", "feeds": "", "mark": ""}
        return kept.drawn("bay/setting_name.html", **facts)

    said = {}
    for language in ("en", "de", "es", "en"):
        with translation.override(language):
            assert said.setdefault(language, side()) == side()
    assert len(set(said.values())) == 3


def test_an_address_is_kept_by_its_name_and_all_that_it_names() -> None:
    for name, *args in (("bay_loads", 1001, 7), ("bay_loads", 1002, 7), ("bay_loads", 1001, 8)):
        for _ in range(2):
            assert kept.address(name, *args) == reverse(name, args=args)
