"""A measured response that is not what the settings give is said so, on screen and on the sheet,
of the very channel and with what is known to explain it."""

import re
from typing import Any

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from jobs.models import Job
from jobs.sheet import document as sheet_document
from jobs.sheet.render import sheet_html
from jobs.sheet.tuning_values import tuned_values
from jobs.wording import Local
from tests.jobs.workshop import Workshop
from wiring.tuning.response import log_grid

pytestmark = [pytest.mark.django_db, pytest.mark.paper]
GRID = log_grid(600)
OWN = 75 + 4 * np.sin(np.log2(GRID / 100))
"""How the car and the speaker sound by themselves: the same before and after."""


@pytest.fixture
def shop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(shop: Workshop) -> Job:
    """Two channels alike, known as found and as left: each got 6 dB less in level."""
    made = shop.job()
    shop.wire(made)
    for number in (3, 4):
        channel = made.channels.get(number=number)
        shop.set(made, channel, "before", {"high_pass_hz": 100.0, "level_db": 0.0})
        shop.set(made, channel, "after", {"high_pass_hz": 100.0, "level_db": -6.0})
    return made


@pytest.fixture
def bench(shop: Workshop, client: Client) -> Client:
    client.force_login(shop.technician)
    return client


def measure(
    bench: Client, job: Job, phase: str, playing: str, levels: Any, place: str = ""
) -> None:
    text = "\n".join(f"{hz:.3f}\t{db:.3f}" for hz, db in zip(GRID, levels, strict=True))
    answer = bench.post(
        reverse("bay_measured_import", args=[job.number]),
        {
            "phase": phase,
            "playing": playing,
            "place": place or "head",
            "text_files": SimpleUploadedFile("response.txt", text.encode()),
        },
    )
    assert answer.status_code == 302


def on_screen(bench: Client, job: Job, playing: str) -> str:
    url = reverse("bay_measured_shown", args=[job.number])
    page = bench.get(url, {"playing": playing}).content.decode()
    return " ".join(re.sub("<[^>]+>", " ", page).split())


def bump(height_db: float, at_hz: float) -> Any:
    return height_db * np.exp(-((np.log2(GRID / at_hz) / 0.5) ** 4))


def test_of_two_equal_channels_the_one_that_disagrees_is_named(bench: Client, job: Job) -> None:
    for playing, off in (("A1.3", bump(-7, 1000)), ("A1.4", 0)):
        measure(bench, job, "before", playing, OWN)
        measure(bench, job, "after", playing, OWN - 20 + off)
    told = on_screen(bench, job, "A1.3")
    assert re.search(r"at (800|1000|1250) Hz [67]\.\d dB less was measured", told), told
    assert "measure again at the same places" in told
    assert "Below about" not in told
    assert "disagree" not in on_screen(bench, job, "A1.4")


def test_what_is_known_to_explain_it_is_said_first(shop: Workshop, bench: Client, job: Job) -> None:
    measure(bench, job, "before", "A1.3", OWN)
    for place in ("left", "right"):
        measure(bench, job, "after", "A1.3", OWN + bump(9, 200), place)
    told = on_screen(bench, job, "A1.3")
    assert "more was measured" in told
    assert "1 place before and at 2 after" in told
    assert "Below about 300 Hz" in told
    assert "Settings were changed" not in told
    shop.set(job, job.channels.get(number=3), "after", {"level_db": -7.0})
    assert "Settings were changed after the last measurement" in on_screen(bench, job, "A1.3")


def test_a_channel_whose_settings_as_found_are_not_noted_is_named(
    shop: Workshop, bench: Client, job: Job
) -> None:
    """Of two alike, one was in the car before and the other is new."""
    job.tuning_records.get(kind="before").settings.filter(channel__number=4).delete()
    for playing in ("A1.3", "A1.4"):
        measure(bench, job, "before", playing, OWN)
        measure(bench, job, "after", playing, OWN + bump(9, 1000))
    assert "How A1.4 was set before is not noted" in on_screen(bench, job, "A1.4")
    assert "is not noted" not in on_screen(bench, job, "A1.3")


def test_nothing_is_said_where_one_of_the_two_is_not_known(bench: Client, job: Job) -> None:
    measure(bench, job, "after", "A1.3", OWN + bump(9, 1000))
    assert "disagree" not in on_screen(bench, job, "A1.3")
    measure(bench, job, "before", "A1.3", OWN)
    assert "disagree" in on_screen(bench, job, "A1.3")
    job.tuning_records.filter(kind="before").delete()
    assert "disagree" not in on_screen(bench, job, "A1.3")


def test_the_sheet_says_it_and_one_from_before_says_nothing(
    shop: Workshop, bench: Client, job: Job
) -> None:
    for playing, off in (("A1.3", bump(-7, 1000)), ("A1.4", 0)):
        measure(bench, job, "before", playing, OWN)
        measure(bench, job, "after", playing, OWN + off)
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    first, second = document["sound"]["measured"]
    assert "less was measured" in first["disagrees"]["said"]
    assert second["disagrees"] is None
    html = sheet_html(document)
    assert html.count("Measured and calculated disagree") == 1
    for one in document["sound"]["measured"]:
        del one["disagrees"]
    assert tuned_values(document, Local("metric", "UTC")) is not None
    assert "Measured and calculated disagree" not in sheet_html(document)
