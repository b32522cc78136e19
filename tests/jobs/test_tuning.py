"""The sound of a job: delays, measurements, proposals, levels, factory outputs, and the sheet."""

from typing import Any

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.models import (
    ChannelSetting,
    Job,
    JobEvent,
    MeasuredResponse,
    Reading,
    ShopTarget,
    TuningKind,
)
from jobs.plan import measured as measured_answers, tuning as tuning_answers
from jobs.plan.document import findings_of, plan_of
from jobs.plan.power import section_of
from jobs.services.moves import move
from jobs.services.tuning import seats
from jobs.sheet import document as sheet_document
from jobs.sheet.render import sheet_html
from jobs.undo import undo
from shop.roles import Role
from tests.factories import make_staff
from tests.jobs.workshop import Workshop
from tests.wiring.plans import setting_response
from wiring.plan import Channel, Device, Plan, Speaker
from wiring.tuning.response import decibels, log_grid

pytestmark = pytest.mark.django_db

SPEED_M_S = 343.2
"""At 20 degC: ISO 9613-1:1993."""


@pytest.fixture
def shop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(shop: Workshop) -> Job:
    made = shop.job()
    shop.wire(made)
    return made


@pytest.fixture
def bench(shop: Workshop, client: Client) -> Client:
    client.force_login(shop.technician)
    return client


def _after(job: Job) -> dict[str, ChannelSetting]:
    rows = ChannelSetting.objects.filter(record__job=job, record__kind=TuningKind.AFTER)
    return {row.channel.plan_id: row for row in rows.select_related("channel__part")}


def _address(name: str, job: Job, *args: Any) -> str:
    return reverse(name, args=[job.number, *args])


def _measured_text(job: Job, channel_id: str) -> bytes:
    """The channel as its settings make it, with a resonance of +6 dB at 400 Hz."""
    setting = next(one.setting for one in plan_of(job).channels if one.id == channel_id)
    grid = log_grid(600)
    levels = decibels(setting_response(setting, grid)) + 80
    levels += 6 * np.exp(-((np.log2(grid / 400) / 0.35) ** 2))
    rows = zip(grid, levels, strict=True)
    return "\n".join(f"{hz:.3f}\t{db:.3f}" for hz, db in rows).encode()


def _import(bench: Client, job: Job, content: bytes, **fields: str) -> Any:
    data = {"phase": "after", "playing": "A1.3", "place": "head", **fields}
    return bench.post(
        _address("bay_measured_import", job),
        {**data, "text_files": SimpleUploadedFile("response.txt", content)},
    )


def _distances(shop: Workshop, job: Job, ways_m: list[float]) -> None:
    seat = seats.tap_seat(job.number, "front_left", actor=shop.technician)
    for speaker, way in zip(job.speakers.order_by("pk"), ways_m, strict=True):
        seats.save_distance(
            job.number,
            seat.pk,
            speaker.pk,
            {"distance_m": way},
            actor=shop.technician,
            version=0,
        )


def test_delays_make_up_for_the_distances_in_one_change_that_can_be_undone(
    shop: Workshop, job: Job
) -> None:
    """A way shorter by the distance sound goes in a millisecond is a delay of a millisecond."""
    ways = [2.0, 2.0 - SPEED_M_S / 1000, 2.0 - 2 * SPEED_M_S / 1000, 2.0]
    _distances(shop, job, ways)
    event = seats.put_delays_in(job.number, plan_of(job), actor=shop.technician)

    delays = {key: row.delay_ms for key, row in _after(job).items()}
    assert delays == pytest.approx({"A1.1": 0, "A1.2": 1, "A1.3": 2, "A1.4": 0}, abs=0.0001)
    with pytest.raises(Refused, match="already"):
        seats.put_delays_in(job.number, plan_of(job), actor=shop.technician)

    shop.set(job, job.channels.get(number=3), "after", {"delay_ms": 0.7})
    undo(job.number, event.pk, shop.technician)
    delays = {key: row.delay_ms for key, row in _after(job).items()}
    assert delays == {"A1.1": 1.25, "A1.2": 1.25, "A1.3": 0.7, "A1.4": 1.25}


def test_a_seat_is_weighed_and_an_unfinished_one_leaves_nothing_to_put_in(
    shop: Workshop, job: Job
) -> None:
    _distances(shop, job, [1.0, 1.2, 1.4, 1.6])
    right = seats.tap_seat(job.number, "front_right", actor=shop.technician)
    assert seats.delays_for(job, plan_of(job)).alignment is None
    for speaker, way in zip(job.speakers.order_by("pk"), [1.6, 1.4, 1.2, 1.0], strict=True):
        right.distances.create(speaker=speaker, distance_m=way)
    found = seats.delays_for(job, plan_of(job))
    assert [line.delay.exact_ms for line in found.lines if line.delay] == pytest.approx([0] * 4)
    right.weight = 0
    right.save()
    alone = seats.delays_for(job, plan_of(job))
    assert alone.lines[0].delay
    assert alone.lines[0].delay.exact_ms == pytest.approx(600 / SPEED_M_S)


def test_a_finding_on_the_sound_stands_with_the_others_and_wants_its_reason(
    shop: Workshop, bench: Client
) -> None:
    job = shop.job()
    shop.wire(job)
    shop.prove(job)
    channel = job.channels.get(number=3)
    boost = [{"kind": "peaking", "frequency_hz": 400.0, "gain_db": 9.0, "q": 1.0}]
    shop.set(job, channel, "after", {"sections": boost, "level_db": 0.0})

    found = {one.rule: one for one in findings_of(job)}
    assert "headroom" in found
    assert "sides-differ" not in found, "left and right may differ in equaliser"
    assert section_of(found["headroom"]) == "tuning"
    for name in ("bay_tuning", "bay_findings"):
        page = bench.get(_address(name, job)).content.decode()
        assert "full-scale music clips there" in page
    ready = move(job.pk, "finish", shop.technician)
    draft = sheet_document.draft(sheet_document.load(pk=ready.pk))
    assert "headroom" in {one["rule"] for one in draft["findings"]}
    with pytest.raises(Refused, match="Give a reason for the caution"):
        move(ready.pk, "sign_off", shop.manager)


def test_a_text_that_cannot_be_read_is_kept_until_its_lines_are_put_right(
    bench: Client, job: Job
) -> None:
    answer = _import(bench, job, b"Hz dB\n20 70\n25 seventy\n40 71,5\n80 72\n")
    row = MeasuredResponse.objects.get()
    assert answer.url == _address("bay_measured_text", job, row.pk)
    assert (row.points, [one["number"] for one in row.problems]) == ([], [3])
    page = bench.get(answer.url).content.decode()
    assert "25 seventy" in page
    assert "Line 3" in page

    right = row.text.replace("seventy", "70")
    data = {"text": right, "version": row.version}
    bench.post(_address("bay_measured_correct", job, row.pk), data)
    row.refresh_from_db()
    assert row.points == [[20, 70], [25, 70], [40, 71.5], [80, 72]]
    late = bench.post(_address("bay_measured_correct", job, row.pk), {**data, "text": "lost?"})
    assert late.status_code == 422
    assert "lost?" in late.content.decode()


def test_measuring_again_at_a_place_sets_the_earlier_one_aside(bench: Client, job: Job) -> None:
    for place in ("head", "head", "seat"):
        _import(bench, job, b"20 70\n200 71\n2000 72\n", place=place)
    rows = MeasuredResponse.objects.order_by("pk")
    assert [(row.place, row.counts) for row in rows] == [
        ("head", False),
        ("head", True),
        ("seat", True),
    ]


def _proposal(bench: Client, job: Job) -> Any:
    return bench.get(_address("bay_proposal", job), {"channel": "A1.3", "how": "anew"}).context


def test_a_proposal_evens_a_resonance_and_applies_as_shown_or_not_at_all(
    shop: Workshop, bench: Client, job: Job
) -> None:
    _import(bench, job, _measured_text(job, "A1.3"))
    shown = _proposal(bench, job)
    [one] = shown["found"]
    assert one.proposal.after_rms_db < 1 < one.proposal.before_rms_db
    assert len(one.sections) <= shop.amplifier.max_sections

    form = {"channel": "A1.3", "how": "anew", "shown": shown["fingerprint"], "key": "a-1"}
    shop.set(job, job.channels.get(number=3), "after", {"high_pass_hz": 120.0})
    stale = bench.post(_address("bay_proposal_apply", job), form)
    assert stale.status_code == 422
    assert _after(job)["A1.3"].sections == []

    form["shown"] = _proposal(bench, job)["fingerprint"]
    for _ in range(2):
        assert bench.post(_address("bay_proposal_apply", job), form).status_code in {302, 422}
    event = JobEvent.objects.get(code="proposal.applied")
    assert any(abs(s["frequency_hz"] - 400) < 60 for s in _after(job)["A1.3"].sections)
    assert _after(job)["A1.4"].sections == []

    plan, rows = plan_of(job), list(MeasuredResponse.objects.all())
    now = measured_answers.expected(rows, plan, 6)
    before = measured_answers.averaged(rows, 6)
    band = measured_answers.playing_band_hz(plan, "A1.3")
    target = measured_answers.targets()["Flat"]
    told = measured_answers.judged(before, now, target, band)
    assert told
    assert told.after
    assert told.after.rms_db < 1

    undo(job.number, event.pk, shop.technician)
    assert _after(job)["A1.3"].sections == []


def test_levels_are_readings_of_the_job_and_leave_with_their_value(bench: Client, job: Job) -> None:
    """50 W into 4 ohm is sqrt(200) V (Joule's law)."""
    url = _address("bay_level_save", job, "output", "A1.3")
    answer = bench.post(url, {"after_value": "14,2", "version": 0, "key": "a"})
    assert answer.status_code == 200
    row = Reading.objects.get(job=job, about="A1.3")
    assert (row.kind, row.unit, row.after_value) == ("output", "V", 14.2)
    table = bench.get(_address("bay_levels", job), {"show": "all"}).content.decode()
    assert f"{200**0.5:.2f}" in table
    data = {"after_value": "", "version": row.version, "key": "b"}
    assert bench.post(url, data).status_code == 200
    assert not Reading.objects.filter(job=job, about="A1.3").exists()


def _bands(corner_hz: float, upper: bool, late_ms: float = 0.0) -> list[list[float]]:
    """One side of a fourth-order crossover in third octaves; `late_ms` sums it with the other."""
    grid = 1000 * 10 ** (np.arange(-16, 14) / 10)
    ratio = (grid / corner_hz) ** 4
    high, low = ratio / (1 + ratio), 1 / (1 + ratio)
    level = np.abs(low + high * np.exp(-2j * np.pi * grid * late_ms / 1000)) if late_ms else None
    shown = level if level is not None else high if upper else low
    return [[hz, db] for hz, db in zip(grid.tolist(), (20 * np.log10(shown)).tolist(), strict=True)]


def test_factory_outputs_tell_what_they_carry_and_that_one_is_late(
    shop: Workshop, bench: Client, job: Job
) -> None:
    make = {"job": job, "side": "left", "by": shop.technician}
    low = job.factory_outputs.create(name="Woofer", points=_bands(1600, False), **make)
    high = job.factory_outputs.create(name="Tweeter", points=_bands(1600, True), **make)
    late = _bands(1600, True, late_ms=0.4)
    job.factory_sums.create(first=low, second=high, points=late, by=shop.technician)
    page = bench.get(_address("bay_capture", job)).content.decode()
    for said in ("low band", "high band", "Input 1", "delayed by 0.4", "do not sum"):
        assert said in page


def test_typed_levels_of_an_output_come_back_in_its_form(bench: Client, job: Job) -> None:
    save = _address("bay_capture_save", job, "output", 0)
    typed = {"name": "Front left", "side": "left", "band_63": "70", "band_125": "71,5"}
    short = bench.post(save, typed)
    assert short.status_code == 422
    assert "71,5" in short.content.decode()
    bench.post(save, {**typed, "band_250": "72"})
    row = job.factory_outputs.get()
    assert row.points == [[63, 70], [125, 71.5], [250, 72]]
    form = bench.get(_address("bay_capture_edit", job, "output", row.pk)).content.decode()
    assert 'value="71.5"' in form


def test_a_cell_saves_without_drawing_and_the_curves_are_asked_for(bench: Client, job: Job) -> None:
    channel = job.channels.get(number=3)
    htmx = {"HX-Request": "true"}
    saved = bench.post(
        _address("bay_setting_save", job, "after", channel.pk),
        {"level_db": "-3", "version": _after(job)["A1.3"].version, "key": "k"},
        headers=htmx,
    )
    assert saved.status_code == 200
    assert "plot-after" not in saved.content.decode()
    drawn = bench.get(_address("bay_curves", job), headers=htmx).content.decode()
    assert drawn.count('class="plot-after') == drawn.count('class="plot-before')
    assert "Coaxial rear door left: −3.0 dB (before −20.0)" in drawn
    one = bench.get(
        _address("bay_curves", job), {"picked": "1", "channel": "A1.3"}, headers=htmx
    ).content.decode()
    assert one.count('class="plot-after') == 1


def test_the_equaliser_shows_what_is_typed_and_saves_only_when_told(
    bench: Client, job: Job
) -> None:
    channel = job.channels.get(number=3)
    url = _address("bay_sections_try", job, "after", channel.pk)
    typed = {"kind": "peaking", "frequency_hz": "1000", "gain_db": "-6", "q": "1"}
    more = bench.post(url, {**typed, "do": "add:notch"}).content.decode()
    assert more.count("<select") == 2
    plot = bench.post(url, typed).content.decode()
    assert "−10.5 dB (before −4.5)" in plot
    assert _after(job)["A1.3"].sections == []


def test_the_sheet_keeps_the_sound_as_it_was_drawn(shop: Workshop, bench: Client, job: Job) -> None:
    for phase in ("before", "after"):
        text = (
            b"20 80\n200 74\n2000 70\n20000 60\n"
            if phase == "before"
            else b"20 70\n200 70\n20000 70"
        )
        _import(bench, job, text, phase=phase, playing="all")
    _distances(shop, job, [1.0, 1.2, 1.4, 1.6])
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    shop.set(job, job.channels.get(number=3), "after", {"level_db": -30.0})
    MeasuredResponse.objects.all().delete()
    html = sheet_html(document)
    for said in ("Response of the settings", "Measured response", "Delays from distances"):
        assert said in html
    assert 'class="plot-before' in html
    assert 'class="plot-after' in html
    assert "plot-hit" not in html
    again = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert again["sound"]["curves"] != document["sound"]["curves"]
    assert again["sound"]["measured"] == []


def test_both_lines_into_one_amplifier_are_set_together() -> None:
    """[amplifier A1 with a processor] --L1, L2--> [amplifier A2 without] --1--> [subwoofer]."""
    plan = Plan(
        devices=(
            Device("A1", "With", "amplifier", line_outputs=2, sample_rate_hz=48_000.0),
            Device("A2", "Without", "amplifier", amplifier_channels=1, line_inputs=2),
        ),
        speakers=(Speaker("SP1", "Sub", "subwoofer", "boot", 4.0),),
        channels=(
            Channel("A1.L1", "A1", "line", 1, feeds_device="A2", feeds_input=1),
            Channel("A1.L2", "A1", "line", 2, feeds_device="A2", feeds_input=2),
            Channel("A2.1", "A2", "amplifier", 1, speakers=("SP1",)),
        ),
    )
    [unit] = tuning_answers.units_of(plan)
    assert (unit.channel_ids, unit.speaker_ids) == (("A1.L1", "A1.L2"), ("SP1",))
    assert tuning_answers.playing_through(plan, "A1.L2") == ["A2.1"]


def test_removing_a_curve_says_what_jobs_then_aim_at(client: Client) -> None:
    """One of the shop's own falls back to the first; one that replaced a supplied one, to that."""
    client.force_login(make_staff(Role.MANAGER))
    points = [[20, 3.0], [20_000, -3.0]]
    for name, instead in (("Hall", "Flat"), ("Warm", "the supplied Warm")):
        row = ShopTarget.objects.create(name=name, points=points)
        page = client.get(reverse("target_edit", args=[row.pk])).content.decode()
        assert f"Jobs that use it then use {instead}." in page
        row.delete()
        known = measured_answers.targets()
        aimed = known.get(name) or next(iter(known.values()))
        assert aimed.name == instead.removeprefix("the supplied ")
