"""Things done on the bay sheet by a tap, each with its way back."""

import re
from datetime import date
from typing import Any
from xml.etree import ElementTree

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import ChannelSetting, FitProof, FunctionCheck, Job, JobEvent, TuningKind
from jobs.plan.document import findings_of, plan_of
from jobs.plan.power import power_at
from jobs.plan.power_drawing import power_path
from jobs.services import channels, fit, functions
from jobs.services.tuning import records as tuning
from jobs.undo import undo
from tests.jobs.workshop import Workshop
from wiring.context import Context

pytestmark = pytest.mark.django_db


@pytest.fixture
def client(shop_floor: Workshop) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(shop_floor.technician)
    return client


def _stops(job: Job) -> set[str]:
    return {finding.rule for finding in findings_of(job) if finding.severity == "stop"}


def test_a_tap_on_a_place_puts_the_chosen_channel_on_its_speaker(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    channel = job.channels.get(number=4)
    channels.take_off(
        job.number, channel.pk, channel.speakers.get().pk, actor=shop_floor.technician
    )
    assert "speaker-without-channel" in _stops(job)
    url = reverse("bay_place", args=[job.number, "rear_door_right"])
    answer = client.post(url, {"target": channel.pk})
    assert channel.speakers.get().position == "rear_door_right"
    assert "speaker-without-channel" not in _stops(job)
    back = re.search(r'hx-post="([^"]*/undo/\d+/)"', answer.content.decode())
    assert back
    client.post(back[1])
    client.post(back[1])
    assert not channel.speakers.exists()
    assert job.events.filter(code="event.undone").count() == 1


def test_placing_a_speaker_is_one_change_with_its_channel(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    job.parts.filter(label="S1").update(quantity=3)
    part, channel = job.parts.get(label="S1"), job.channels.get(number=3)
    url = reverse("bay_place_add", args=[job.number, "roof_left"])
    form = {"what": part.pk, "target": channel.pk, "key": "once"}
    client.post(url, form)
    client.post(url, form)
    placed = job.speakers.get(position="roof_left")
    assert list(placed.channels.all()) == [channel]
    assert placed.min_high_pass_hz == 2000
    channel.refresh_from_db()
    assert channel.joining == "parallel"
    refused = client.post(url, {"what": part.pk, "key": "another"})
    assert refused.status_code == 422
    assert job.speakers.filter(part=part).count() == 3
    undo(job.number, job.events.get(key="once").pk, shop_floor.technician)
    channel.refresh_from_db()
    assert not job.speakers.filter(position="roof_left").exists()
    assert channel.joining == "single"


def test_a_factory_speaker_needs_its_impedance(job: Job, client: Client) -> None:
    url = reverse("bay_place_add", args=[job.number, "roof_left"])
    form = {"what": "factory", "kind": "coaxial", "name": "Oval"}
    refused = client.post(url, {**form, "impedance_ohm": "four"})
    assert refused.status_code == 422
    assert 'value="four"' in refused.content.decode()
    client.post(url, {**form, "impedance_ohm": "3,6 Ω"})
    placed = job.speakers.get(position="roof_left")
    assert placed.factory and placed.impedance_ohm == 3.6


def test_all_of_a_group_work_and_back_leaves_what_was_found_by_hand(
    shop_floor: Workshop, job: Job
) -> None:
    group = job.function_checks.values_list("group", flat=True)[0]
    first, second = job.function_checks.filter(group=group)[:2]
    record = {"actor": shop_floor.technician, "version": first.version}
    functions.record(job.number, first.pk, "before", {"before": "fault"}, **record)
    event = functions.all_work(job.number, "before", group, actor=shop_floor.technician)
    assert event is not None
    rows = FunctionCheck.objects.filter(job=job, group=group)
    assert set(rows.exclude(pk=first.pk).values_list("before", flat=True)) == {"works"}
    second.refresh_from_db()
    functions.record(
        job.number,
        second.pk,
        "before",
        {"before": "not_fitted"},
        actor=shop_floor.manager,
        version=second.version,
    )
    undo(job.number, event.pk, shop_floor.technician)
    left = dict(rows.values_list("pk", "before"))
    assert left.pop(first.pk) == "fault" and left.pop(second.pk) == "not_fitted"
    assert set(left.values()) == {""}
    assert not rows.filter(before="").exclude(before_by=None).exists()


def test_after_the_work_all_work_leaves_what_the_car_never_had(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    group = job.function_checks.values_list("group", flat=True)[0]
    rows = FunctionCheck.objects.filter(job=job, group=group)
    absent, fitted, *_ = rows
    rows.update(before="works")
    rows.filter(pk=absent.pk).update(before="not_fitted")
    url = reverse("bay_function_group", args=[job.number, "after"])
    said = client.post(url, {"group": group, "key": "all"}).content.decode()
    results = dict(rows.values_list("pk", "after"))
    assert results.pop(absent.pk) == "not_fitted"
    assert results[fitted.pk] == "works" and set(results.values()) == {"works"}
    assert f"{len(results)} marked as working, 1 not fitted as before" in said
    event = job.events.get(code="functions.group_works")
    undo(job.number, event.pk, shop_floor.technician)
    assert set(rows.values_list("after", flat=True)) == {""}


def test_a_function_lost_is_a_stop_at_once(shop_floor: Workshop, job: Job, client: Client) -> None:
    shop_floor.prove(job)
    check = job.function_checks.first()
    assert check is not None
    url = reverse("bay_function_save", args=[job.number, "after", check.pk])
    answer = client.post(url, {"version": check.version, "after": "fault", "key": "k"})
    assert "Lost: it worked before" in answer.content.decode()
    assert "function-lost" in _stops(job)
    check.refresh_from_db()
    assert check.after_by == shop_floor.technician and check.after_at is not None


def test_the_instrument_used_last_goes_with_the_next_value(job: Job, client: Client) -> None:
    first, second = job.readings.filter(unit="V")[:2]
    for reading, fields in (
        (first, {"before_value": "12,61", "before_instrument": "Meter 7"}),
        (second, {"before_value": "14.2"}),
    ):
        url = reverse("bay_reading_save", args=[job.number, "before", reading.pk])
        client.post(url, {"version": reading.version, **fields})
    second.refresh_from_db()
    assert (second.before_value, second.before_instrument) == (14.2, "Meter 7")


def test_a_record_kept_can_be_returned_to_and_that_undone(shop_floor: Workshop, job: Job) -> None:
    technician = shop_floor.technician
    channel = job.channels.get(number=1)

    def level() -> float:
        return ChannelSetting.objects.get(channel=channel, record__kind="after").level_db

    kept = tuning.keep_as_working(job.number, "First listen", actor=technician)
    assert kept is not None
    shop_floor.set(job, channel, "after", {"level_db": -12.0})
    event = tuning.return_to(job.number, kept.pk, actor=technician)
    assert level() == -4.5
    undo(job.number, event.pk, technician)
    assert level() == -12.0
    with pytest.raises(Refused, match="already has a record"):
        tuning.keep_as_working(job.number, "First listen", actor=technician)


def test_two_records_are_compared_setting_by_setting(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    channel = job.channels.get(number=1)
    kept = tuning.keep_as_working(job.number, "First listen", actor=shop_floor.technician)
    assert kept is not None
    changed = {"low_pass_hz": 80.0, "muted": True, "sections": [
        {"kind": "peaking", "frequency_hz": 400.0, "gain_db": -3.0, "q": 2.0}
    ]}  # fmt: skip
    shop_floor.set(job, channel, "after", changed)
    after = job.tuning_records.get(kind="after")
    url = reverse("bay_record_compare", args=[job.number])
    answer = client.get(url, {"first": kept.pk, "second": after.pk})
    assert [tuple(one) for one in answer.context["differences"]] == [
        ("A1.1", "Low-pass", "none", "80\u00a0Hz no family no slope"),
        ("A1.1", "Muted", "no", "yes"),
        ("A1.1", "Equaliser", "none", "peak 400\u00a0Hz, −3.0\u00a0dB, Q 2"),
    ]
    same = client.get(url, {"first": kept.pk, "second": kept.pk}).content.decode()
    assert "are the same" in same


def test_a_proposal_taken_passes_and_can_be_undone(
    shop_floor: Workshop, job: Job, client: Client
) -> None:
    run = job.runs.get(label="R1")
    job.runs.filter(pk=run.pk).update(size="2.5 mm2", fuse_rating_a=150.0)
    assert [f for f in findings_of(job) if "R1" in f.where and f.severity == "stop"]
    client.post(reverse("bay_run_propose", args=[job.number, run.pk]), {"metal": "copper"})
    run.refresh_from_db()
    assert run.size != "2.5 mm2"
    assert not [f for f in findings_of(job) if "R1" in f.where and f.severity != "note"]
    event = JobEvent.objects.get(job=job, code="run.proposed")
    undo(job.number, event.pk, shop_floor.technician)
    run.refresh_from_db()
    assert (run.size, run.fuse_rating_a) == ("2.5 mm2", 150.0)


def test_a_fuse_alone_is_put_right_for_the_cable_that_lies_there(job: Job, client: Client) -> None:
    run = job.runs.get(label="R1")
    job.runs.filter(pk=run.pk).update(fuse_rating_a=250.0)
    assert "fuse-over-conductor" in _stops(job)
    opened = client.get(reverse("bay_run", args=[job.number, run.pk])).content.decode()
    assert "Put this fuse in the plan" in opened
    client.post(reverse("bay_run_propose", args=[job.number, run.pk]), {"metal": "as_fitted"})
    before = (run.size, run.metal, run.length_m)
    run.refresh_from_db()
    assert (run.size, run.metal, run.length_m) == before
    assert not [f for f in findings_of(job) if "R1" in f.where and f.severity != "note"]


def test_a_device_opens_to_what_it_draws_and_what_is_left(job: Job, client: Client) -> None:
    """Full-output current by hand: the channels' powers over efficiency and charging voltage."""
    plan = plan_of(job)
    device = plan.devices[0]
    context = Context(plan)
    output_w = sum(context.power_w[one.id].power_w for one in plan.channels if one.speakers)
    assert device.efficiency is not None
    full_a = output_w / (device.efficiency * plan.supply.charging_v)
    page = client.get(reverse("bay_power", args=[job.number])).content.decode()
    assert f"{full_a:.1f}\N{NO-BREAK SPACE}A" in page
    shown = client.get(reverse("bay_device", args=[job.number, device.id])).content.decode()
    for said in ("full-output current", "long-term current", "idle current", "Voltage at", "Power"):
        assert said in shown
    assert client.get(reverse("bay_device", args=[job.number, "A9"])).status_code == 404


def test_a_removed_run_comes_back_whole(shop_floor: Workshop, job: Job, client: Client) -> None:
    run = job.runs.get(label="R1")
    before = plan_of(job)
    client.post(reverse("bay_run_remove", args=[job.number, run.pk]))
    assert not job.runs.filter(label="R1").exists()
    event = job.events.get(code="run.removed")
    undo(job.number, event.pk, shop_floor.technician)
    after = plan_of(job)
    assert sorted(after.runs, key=lambda one: one.id) == sorted(before.runs, key=lambda one: one.id)


@pytest.mark.parametrize("upright", [False, True], ids=["along", "upright"])
def test_the_power_path_shows_every_run_and_the_lowest_voltage(job: Job, upright: bool) -> None:
    plan = plan_of(job)
    solution = power_at(plan)
    assert solution is not None
    drawn = power_path(plan, solution, marks={"R1": "stop"}, upright=upright)
    words = " ".join(ElementTree.fromstring(drawn).itertext())
    for run in plan.runs:
        assert run.id in words
    assert "60\u00a0A" in words and "STOP" in words
    assert f"{solution.devices['A1'].voltage_v:.2f}\u00a0V" in words
    assert "style=" not in drawn and "var(" not in drawn
    assert all(words.count(device.name) == 2 for device in plan.devices)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("guide.exe", b"MZ", "is not allowed"),
        ("guide.pdf", b"MZ not a pdf", "not a PDF file inside"),
        ("guide.png", b"\x89PNG\r\n\x1a\n" + b"0" * (10 * 1024 * 1024), "at most 10 MB"),
    ],
    ids=["type", "content", "size"],
)
def test_a_guide_that_cannot_be_kept_says_why_and_loses_nothing_typed(
    job: Job, client: Client, name: str, content: bytes, said: str
) -> None:
    form = {
        "source": "Trial fit in the car",
        "consulted_on": "2026-03-04",
        "outcome": "fits",
        "guide": SimpleUploadedFile(name, content),
    }
    answer = client.post(reverse("bay_fit_add", args=[job.number]), form)
    shown = answer.content.decode()
    assert answer.status_code == 422
    assert said in shown and "Trial fit in the car" in shown
    assert not FitProof.objects.filter(job=job).exists()


def test_a_guide_is_stored_before_the_jobs_row_is_held_and_goes_when_the_row_is_refused(
    shop_floor: Workshop, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = len(connection.savepoint_ids)
    store = FitProof._meta.get_field("guide").storage
    save, seen, meanwhile = store.save, [], []

    def slowly(name: str, content: Any, max_length: int | None = None) -> str:
        seen.append((save(name, content, max_length), len(connection.savepoint_ids) - held))
        for one in meanwhile:
            one()
        return seen[-1][0]

    def add(key: str, *, file: bool = True) -> FitProof | None:
        guide = SimpleUploadedFile("guide.txt", b"Remove the sill trim first.") if file else None
        return fit.add_proof(
            job.number,
            shop_floor.technician,
            source="maker_guide",
            reference="page 4",
            consulted_on=date(2026, 3, 4),
            outcome="fits",
            guide=guide,
            key=key,
        )

    monkeypatch.setattr(store, "save", slowly)
    kept = add("first-of-two")
    assert kept is not None and store.exists(str(kept.guide.name))
    assert add("first-of-two") is None, "a repeat stores nothing"
    assert seen == [(kept.guide.name, 0)], "nobody's save waits for a slow store"
    meanwhile.append(lambda: add("raced", file=False))
    assert add("raced") is None, "its repeat was quicker"
    meanwhile[:] = [lambda: Job.objects.filter(pk=job.pk).update(stage=Stage.COLLECTED)]
    with pytest.raises(Refused):
        add("closed meanwhile")
    with pytest.raises(Refused):
        add("closed")
    assert [store.exists(name) for name, _ in seen] == [True, False, False]
    assert FitProof.objects.filter(job=job, reference="page 4").count() == 2


def test_equaliser_sections_are_kept_whole_or_not_at_all(job: Job, client: Client) -> None:
    channel = job.channels.get(number=1)
    setting = ChannelSetting.objects.get(channel=channel, record__kind=TuningKind.AFTER)
    url = reverse("bay_sections_save", args=[job.number, "after", channel.pk])
    columns = {"frequency_hz": ["3,2k", "80"], "gain_db": ["-2,5", ""], "q": ["2", ""]}
    bad = client.post(url, {"version": setting.version, "kind": ["peaking", ""], **columns})
    assert bad.status_code == 422 and "3,2k" in bad.content.decode()
    setting.refresh_from_db()
    assert setting.sections == []
    client.post(url, {"version": setting.version, "kind": ["peaking", "notch"], **columns})
    setting.refresh_from_db()
    assert [(one["kind"], one["frequency_hz"], one["gain_db"]) for one in setting.sections] == [
        ("peaking", 3200.0, -2.5),
        ("notch", 80.0, 0.0),
    ]
