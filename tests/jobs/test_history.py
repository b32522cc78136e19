"""The history of a job in sentences."""

import pytest

from jobs.lifecycle import Stage
from jobs.models import Channel, TuningFacts
from jobs.reads.history import history_of
from jobs.services.events import log
from jobs.services.moves import move
from jobs.services.saving import save_row
from shop.roles import Role
from shop.services.events import subject_of
from tests.factories import make_job, make_product, make_shop, make_staff

pytestmark = pytest.mark.django_db


def test_the_story_and_every_change() -> None:
    make_shop(time_zone="UTC")
    manager = make_staff(Role.MANAGER, name="Odile Marchbank")
    job = make_job(Stage.CHECKED_IN, parts_wanted=[make_product(maker="Tarnholt", name="Six")])
    channel = job.channels.get(number=3)
    save_row(
        Channel, channel.pk, {"connector": "Plug A"}, number=job.number, actor=manager, version=1
    )
    save_row(
        Channel, channel.pk, {"connector": "Plug B"}, number=job.number, actor=manager, version=2
    )
    move(job.pk, "hold", manager, "Waiting for the mounting ring")

    story = [event.sentence for event in history_of(job)]
    assert story == [
        "Put on hold: now on hold. Reason: Waiting for the mounting ring",
        "Part added: A1 Tarnholt Six.",
    ]
    every = [event.sentence for event in history_of(job, whole=True)]
    assert every[1:3] == [
        "Channel A1.3: connector Plug A → Plug B.",
        "Channel A1.3: connector Plug A.",
    ]


def test_an_event_of_a_row_that_is_gone_still_reads() -> None:
    job, manager = make_job(), make_staff(Role.MANAGER)
    log(job, manager, "speaker.removed", subject="jobspeaker:999", before={"label": "SP1"})
    log(job, manager, "something.new", after={"count": 2})
    assert [event.sentence for event in history_of(job, whole=True)] == [
        "Something new: count 2.",
        "Speaker taken out.",
    ]


def test_a_row_that_is_called_what_its_title_says_is_named_once() -> None:
    """The facts of a tuning, of which a job has one row."""
    job, technician = make_job(), make_staff(Role.TECHNICIAN)
    facts = TuningFacts.objects.get_or_create(job=job)[0]
    log(job, technician, "tuningfacts.changed", subject=subject_of(facts), after={"air_c": 21.0})
    assert history_of(job, whole=True)[0].sentence.startswith("Tuning: ")


def test_what_was_written_down_is_said_in_words() -> None:
    make_shop(time_zone="UTC")
    job, desk = make_job(Stage.CHECKED_IN), make_staff(Role.FRONT_DESK)
    log(job, desk, "job.booked", after={"bay": "Bay 1", "starts_at": "2025-11-26T08:00:00+00:00"})
    log(job, desk, "job.changed", before={"bay": "Bay 1"}, after={"bay": "Lift"})
    log(job, desk, "check_in.signed", after={"signed by": "Wilma Tern", "how": "by hand"})
    log(job, desk, "check_in.saved", after={"odometer": 48210, "energy_percent": 64})
    log(
        job,
        desk,
        "setting.changed",
        subject="channelsetting:0",
        before={"level_db": 0.0},
        after={"level_db": -10.0},
    )
    log(job, desk, "part.removed", before={"label": "A1", "product": "Six", "with": ["R1", "R2"]})
    assert [event.sentence for event in history_of(job, whole=True)] == [
        "Part removed: A1 Six, with R1 and R2.",
        "Setting: level 0\u00a0dB → −10\u00a0dB.",
        "Check-in written down: odometer 48\u00a0210; fuel or charge 64\u00a0%.",
        "Customer signed the condition: Wilma Tern, by hand.",
        "Booking changed: Bay 1 → Lift.",
        "Booked: Bay 1; in the bay from Wed 26 Nov 2025, 08:00.",
    ]
