"""A chime or parking sound: where it is heard from and how loud, before the work and after it."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import FunctionCheck, Job
from jobs.plan.document import findings_of
from jobs.plan.heard import LevelError, clean_level, level_change
from jobs.plan.power import section_of
from jobs.sheet.document import draft, load
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db

CHIME = "Seat belt chime"


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


def _rows(job: Job) -> tuple[FunctionCheck, FunctionCheck]:
    rows = job.function_checks.filter(name__in=(CHIME, "Door open chime")).order_by("-name")
    return rows[0], rows[1]


def _try(floor: Workshop, row: FunctionCheck, phase: str, **cells: str) -> Any:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(floor.technician)
    row.refresh_from_db()
    url = reverse("bay_function_save", args=[row.job.number, phase, row.pk])
    named = {name if name == phase else f"{phase}_{name}": one for name, one in cells.items()}
    return client.post(url, {"version": row.version, **named})


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("", ""), (" Loud ", "loud"), ("62", "62 dB(A)"), ("62,5 dBA", "62.5 dB(A)"),
        ("62\u00a0dB(A)", "62 dB(A)"), ("62 dB", "62 dB(A)"), ("very", None), ("620", None),
        ("12", None), ("62 dB(C)", None),
    ],
)  # fmt: skip
def test_a_level_is_a_word_or_what_a_meter_reads(typed: str, kept: str | None) -> None:
    if kept is not None:
        assert clean_level(typed) == kept == clean_level(kept)
    else:
        with pytest.raises(LevelError):
            clean_level(typed)


@pytest.mark.parametrize(
    ("before", "after", "change"),
    [
        ("normal", "loud", "louder"), ("normal", "quiet", "quieter"), ("loud", "loud", ""),
        ("62 dB(A)", "68 dB(A)", "louder"), ("62 dB(A)", "67.9 dB(A)", ""),
        ("62 dB(A)", "56 dB(A)", "quieter"), ("62 dB(A)", "loud", ""), ("", "loud", ""),
        ("loud", "", ""),
    ],
)  # fmt: skip
def test_levels_are_compared_with_their_like_alone(before: str, after: str, change: str) -> None:
    assert level_change(before, after) == change


def test_a_signal_is_asked_for_once_it_works_and_compared_after(floor: Workshop) -> None:
    job = floor.job()
    belt, door = _rows(job)
    assert (belt.name, door.name) == (CHIME, "Door open chime")
    other = job.function_checks.get(name="Volume knob")
    assert "before_level" not in _try(floor, other, "before", before="works").content.decode()
    assert "before_level" not in _try(floor, belt, "before", before="fault").content.decode()
    for row in (belt, door):
        assert "before_level" in _try(floor, row, "before", before="works").content.decode()
    _try(floor, belt, "before", heard_from="front_left", level="62")
    page = _try(floor, belt, "after", after="works").content.decode()
    assert "heard: Front left, 62 dB(A)" in page and "after_heard_from" in page
    assert "after_level" not in _try(floor, door, "after", after="works").content.decode()

    def told() -> list[Any]:
        return [one for one in findings_of(job) if one.rule == "signal-heard-otherwise"]

    _try(floor, belt, "after", heard_from="front_left", level="64 dB(A)")
    assert told() == []
    _try(floor, belt, "after", level="50 dB(A)")
    assert "quieter" in told()[0].title
    _try(floor, belt, "after", heard_from="rear", level="62")
    (found,) = told()
    assert found.where == (f"function-{belt.pk}",) and section_of(found) == "after"
    assert found.severity == "caution" and "“Rear”" in found.title and "quieter" not in found.title
    wrong = _try(floor, belt, "after", level="very loud")
    assert wrong.status_code == 422 and 'value="very loud"' in wrong.content.decode()
    rows = {one["name"]: one for one in draft(load(pk=job.pk))["function_checks"]}
    assert rows[CHIME]["before_heard"] == "Front left, 62 dB(A)"
    assert rows[CHIME]["after_heard"] == "Rear, 62 dB(A)"
    assert rows["Door open chime"]["before_heard"] == ""
    _try(floor, belt, "after", after="fault")
    assert told() == [] and "function-lost" in {one.rule for one in findings_of(job)}
