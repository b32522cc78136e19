"""A signed job's setup on the next car: copied where it fits, decided where it does not, undone."""

from typing import Any

import msgspec
import numpy as np
import pytest
from django.test import Client
from django.urls import reverse

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import Channel, ChannelSetting, Job, JobEvent, SavedSetup
from jobs.plan.document import findings_of, plan_of
from jobs.services.moves import move
from jobs.services.parts import put_in
from jobs.services.saving import save_row
from jobs.services.tuning.measured import import_response
from jobs.setups.apply import apply_setup, preview
from jobs.setups.library import create_setup, edit_setup, withdraw_setup
from jobs.sheet import document as sheet_document
from jobs.undo import undo
from shop.models import ProductKind
from tests.factories import make_product
from tests.jobs.workshop import Workshop
from wiring import plan as doc

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def setup(workshop: Workshop) -> SavedSetup:
    job = workshop.ready()
    job.other_settings.create(name="Head unit bass", before="+4", after="0")
    sheet = workshop.sign(job)
    return create_setup(sheet.pk, "Four channels", "Clip first", workshop.technician)


def states(setup: SavedSetup, job: Job) -> dict[str, str]:
    return {item.key: item.state for item in preview(setup, job).items}


def take_default(setup: SavedSetup, job: Job, workshop: Workshop, *more: str) -> JobEvent:
    comparison = preview(setup, job)
    keys = {item.key for item in comparison.items if item.taken_by_default} | set(more)
    applied = apply_setup(job.number, setup.pk, keys, comparison.token, workshop.technician)
    return applied.event


def snapshot(job: Job) -> tuple[Any, ...]:
    """What the job's plan and settings are, without versions."""
    job = Job.objects.get(pk=job.pk)
    return (
        plan_of(job),
        list(job.speakers.values_list("label", "position")),
        list(job.other_settings.values_list("name", "after")),
        ChannelSetting.objects.filter(record__job=job, record__kind="after").count(),
        list(job.parts.values_list("label", "turn_on", "turn_on_by")),
    )


def unproved(plan: doc.Plan) -> doc.Plan:
    """The plan as another car takes it over: no polarity proved, no load measured, no reading."""
    channels = tuple(
        msgspec.structs.replace(
            one,
            wire=msgspec.structs.replace(one.wire, polarity_proved=None) if one.wire else None,
        )
        for one in plan.channels
    )
    supply = msgspec.structs.replace(
        plan.supply, rest_v=None, charging_v=14.2, key_off_before_a=None, key_off_after_a=None
    )
    return msgspec.structs.replace(plan, channels=channels, supply=supply)


def test_same_parts_give_the_same_plan_with_polarity_to_prove(
    workshop: Workshop, setup: SavedSetup
) -> None:
    job = workshop.job(setup.vehicle_model)
    take_default(setup, job, workshop)
    source = Job.objects.get(pk=setup.from_sheet.job_id)
    job = Job.objects.get(pk=job.pk)
    assert plan_of(job) == unproved(plan_of(source))
    assert list(job.other_settings.values_list("name", "after")) == [("Head unit bass", "0")]
    assert set(job.channels.values_list("polarity_proved", flat=True)) == {None}
    assert [f.rule for f in findings_of(job) if f.severity == "stop"] == []
    setup.refresh_from_db()
    assert setup.times_used == 1
    assert set(states(setup, job).values()) == {"same"}


def test_every_fact_of_a_cable_and_of_a_factory_speaker_goes_along(workshop: Workshop) -> None:
    job = workshop.ready()
    told = {"metal": "copper_clad_aluminium", "stranding": "solid", "insulation_c": 90.0}
    told |= {"parallel": 2, "bundled": 3, "connections": 4, "sheathed": True, "place": "engine_bay"}
    job.runs.filter(label="R2").update(**told)
    figures = {"power_w": 65.0, "min_high_pass_hz": 60.0, "min_high_pass_order": 4}
    figures |= {"max_low_pass_hz": 19_000.0, "box_limit_hz": 41.0, "impedance_ohm": 4.0}
    job.speakers.filter(position="rear_door_left").update(part=None, **figures)
    sheet = workshop.sign(job)
    setup = create_setup(sheet.pk, "All of it", "", workshop.technician)
    here = workshop.job(setup.vehicle_model)
    take_default(setup, here, workshop)
    run = here.runs.get(label="R2")
    assert {name: getattr(run, name) for name in told} == told
    speaker = here.speakers.get(part=None)
    assert {name: getattr(speaker, name) for name in figures} == figures


def test_undo_puts_everything_back(workshop: Workshop, setup: SavedSetup) -> None:
    job = workshop.job(setup.vehicle_model)
    before = snapshot(job)
    event = take_default(setup, job, workshop)
    assert snapshot(job) != before
    undo(job.number, event.pk, workshop.technician)
    assert snapshot(job) == before


def test_undo_refuses_to_lose_a_later_entry(workshop: Workshop, setup: SavedSetup) -> None:
    job = workshop.job(setup.vehicle_model)
    event = take_default(setup, job, workshop)
    channel = job.channels.get(number=1)
    save_row(
        Channel,
        channel.pk,
        {"connector": "Plug behind the glovebox"},
        number=job.number,
        actor=workshop.technician,
        version=channel.version,
    )
    after = snapshot(job)
    with pytest.raises(Refused, match="changed since"):
        undo(job.number, event.pk, workshop.technician)
    assert snapshot(job) == after


def test_fewer_channels_are_not_copied_over(workshop: Workshop, setup: SavedSetup) -> None:
    small = make_product(name="Weir Two", amplifier_channels=2, ratings=[(4, 50, False)])
    job = workshop.job(setup.vehicle_model, amplifier=small)
    found = preview(setup, job)
    by_key = {item.key: item for item in found.items}
    assert by_key["device:A1"].state == "differs"
    assert any(
        "4 amplifier channels in the setup, 2 here" in line for line in by_key["device:A1"].why
    )
    assert {by_key[f"channel:A1.{n}"].state for n in (1, 2)} == {"differs"}
    assert {by_key[f"channel:A1.{n}"].state for n in (3, 4)} == {"impossible"}
    take_default(setup, job, workshop)
    assert not job.channels.filter(speakers__isnull=False).exists()
    assert not job.channels.exclude(connector="").exists()
    assert not job.runs.exists()
    assert job.speakers.count() == 4

    found = preview(setup, job)
    chosen = {"device:A1", "channel:A1.1", "channel:A1.3"}
    applied = apply_setup(job.number, setup.pk, chosen, found.token, workshop.technician)
    assert applied.taken["channels"] == ["A1.1"]
    assert job.channels.get(number=1).connector == "Door plug"
    assert job.channels.get(number=2).connector == ""


def test_a_channel_is_left_when_its_amplifier_is_left(
    workshop: Workshop, setup: SavedSetup
) -> None:
    other = make_product(name="Weir Four B", amplifier_channels=4, ratings=[(4, 90, False)])
    job = workshop.job(setup.vehicle_model, amplifier=other)
    found = preview(setup, job)
    chosen = {"speaker:SP1", "channel:A1.1"}
    applied = apply_setup(job.number, setup.pk, chosen, found.token, workshop.technician)
    assert applied.taken == {"speakers": ["SP1"]}
    assert "A1.1" in applied.left["channels"]
    assert job.channels.get(number=1).connector == ""


def test_a_stronger_amplifier_keeps_the_balance_with_new_levels(
    workshop: Workshop, setup: SavedSetup
) -> None:
    """Gains are set for the speakers' rating where that is less than the amplifier's 100 W: the
    tweeters gain 10 log10(60 / 50) = 0.8 dB, the coaxials 10 log10(70 / 50) = 1.5 dB."""
    strong = make_product(name="Weir Six", amplifier_channels=6, ratings=[(4, 100, False)])
    job = workshop.job(setup.vehicle_model, amplifier=strong)
    found = preview(setup, job)
    by_key = {item.key: item for item in found.items}
    assert found.matches.carried.free == ("A1.5", "A1.6")
    assert by_key["setting:A1.1"].values["level_db"] == -4.5
    assert by_key["setting:A1.3"].values["level_db"] == pytest.approx(-5.2)
    assert any("70 W here, 50 W in the setup" in why for why in by_key["setting:A1.3"].why)
    keys = {item.key for item in found.open_items}
    apply_setup(job.number, setup.pk, keys, found.token, workshop.technician)
    settings = ChannelSetting.objects.filter(record__job=job).order_by("channel__number")
    assert list(settings.values_list("level_db", flat=True)) == pytest.approx(
        [-4.5, -4.5, -5.2, -5.2]
    )
    assert [f.rule for f in findings_of(job) if f.severity == "stop"] == []


def test_a_second_amplifier_takes_the_channels_the_first_lacks(
    workshop: Workshop, setup: SavedSetup
) -> None:
    small = make_product(name="Weir Two", amplifier_channels=2, ratings=[(4, 50, False)])
    job = workshop.job(setup.vehicle_model, amplifier=small)
    put_in(job, small, 1, workshop.desk)
    found = preview(setup, job)
    assert found.matches.carried.uncovered == {}
    keys = {item.key for item in found.open_items}
    applied = apply_setup(job.number, setup.pk, keys, found.token, workshop.technician)
    assert "A1.3 → A2.1" in applied.taken["channels"]
    fed = {
        row.plan_id: row.speakers.get().position
        for row in job.channels.filter(speakers__isnull=False).select_related("part")
    }
    assert fed == {
        "A1.1": "front_dash_left",
        "A1.2": "front_dash_right",
        "A2.1": "rear_door_left",
        "A2.2": "rear_door_right",
    }
    before = snapshot(job)
    undo(job.number, applied.event.pk, workshop.technician)
    assert snapshot(job) != before
    assert not job.speakers.exists()


def test_another_impedance_is_asked_about(workshop: Workshop, setup: SavedSetup) -> None:
    low = make_product(
        kind=ProductKind.SPEAKER,
        name="Plover 130",
        speaker_kind="coaxial",
        impedance_ohm=2.0,
        power_w=70,
    )
    job = workshop.job(setup.vehicle_model, coaxial=low)
    found = {item.key: item for item in preview(setup, job).items}
    assert any(
        "4\u00a0Ω a coil in the setup, 2\u00a0Ω a coil here" in line
        for line in found["speaker:SP3"].why
    )
    for key in ("speaker:SP3", "channel:A1.3", "setting:A1.3"):
        assert found[key].state == "differs", key
    for key in ("speaker:SP1", "channel:A1.1", "setting:A1.1"):
        assert found[key].state == "new", key
    take_default(setup, job, workshop)
    assert list(job.speakers.values_list("kind", flat=True)) == ["tweeter", "tweeter"]
    take_default(setup, job, workshop, "speaker:SP3", "channel:A1.3")
    placed = job.channels.get(number=3).speakers.get()
    assert (placed.impedance_ohm, placed.part.product) == (2.0, low)


def test_own_entries_are_kept_unless_chosen(workshop: Workshop, setup: SavedSetup) -> None:
    job = workshop.job(setup.vehicle_model)
    job.channels.filter(number=1).update(connector="Sill plug", positive_base="RD")
    assert states(setup, job)["channel:A1.1"] == "differs"
    take_default(setup, job, workshop)
    assert job.channels.get(number=1).connector == "Sill plug"
    assert job.channels.get(number=2).connector == "Door plug"


def test_refusals(workshop: Workshop, setup: SavedSetup) -> None:
    job = workshop.job(setup.vehicle_model)
    stale = preview(setup, job).token
    job.channels.filter(number=1).update(connector="Sill plug")
    with pytest.raises(ChangedMeanwhile):
        apply_setup(job.number, setup.pk, {"speaker:SP1"}, stale, workshop.technician)
    with pytest.raises(Refused, match="another model"):
        preview(setup, workshop.job())
    with pytest.raises(Refused, match="Nothing was chosen"):
        apply_setup(job.number, setup.pk, (), preview(setup, job).token, workshop.technician)
    with pytest.raises(Refused, match="already has a setup"):
        create_setup(setup.from_sheet_id, "Four channels", "", workshop.technician)
    signed = setup.from_sheet.job
    token = preview(setup, signed).token
    with pytest.raises(Refused, match="closed"):
        apply_setup(signed.number, setup.pk, {"channel:A1.1"}, token, workshop.technician)


def test_a_job_keeps_what_it_took_when_the_setup_goes(
    workshop: Workshop, setup: SavedSetup
) -> None:
    job = workshop.job(setup.vehicle_model)
    take_default(setup, job, workshop)
    taken = snapshot(job)
    edit_setup(setup.pk, "Renamed", "", workshop.manager)
    with pytest.raises(Refused, match="why"):
        withdraw_setup(setup.pk, " ", workshop.manager)
    withdraw_setup(setup.pk, "Rattles", workshop.manager)
    with pytest.raises(Refused, match="withdrawn: Rattles"):
        preview(SavedSetup.objects.get(pk=setup.pk), workshop.job(setup.vehicle_model))
    assert snapshot(job) == taken


def test_from_signed_sheet_to_the_next_job_on_screen(workshop: Workshop, client: Client) -> None:
    sheet = workshop.sign(workshop.ready())
    model = sheet.job.vehicle.vehicle_model
    client.force_login(workshop.technician)
    url = f"/sheets/{sheet.job.number}-1/save-setup/"
    assert client.post(url, {"name": "", "note": "kept"}).status_code == 422
    client.post(url, {"name": "Four channels", "note": "Clip first"})
    setup = SavedSetup.objects.get()
    assert sheet.job.customer.name not in str(setup.document)
    assert "WF-20418" not in str(setup.document)
    job = workshop.job(model)
    assert "Four channels" in client.get(f"/jobs/{job.number}/").content.decode()
    url = f"/jobs/{job.number}/apply-setup/{setup.pk}/"
    page = client.get(url)
    chosen = {item.key: "take" for item in preview(setup, job).open_items}
    answer = client.post(url, {**chosen, "token": page.context["token"]})
    assert answer.status_code == 302
    assert job.speakers.count() == 4
    assert client.post(url, {**chosen, "token": page.context["token"]}).status_code == 422
    client.post(f"{answer.url}undo/")
    assert job.speakers.count() == 0


def _measured(workshop: Workshop, job: Job, off_db: float, playing: str = "all") -> None:
    """A response that is off by so much in one octave, at a loudness of its own."""
    grid = np.geomspace(20, 20_000, 480)
    levels = 70 + off_db + np.where((grid > 700) & (grid < 1400), off_db, 0.0)
    lines = "\n".join(f"{hz:.2f} {db:.2f}" for hz, db in zip(grid, levels, strict=True))
    import_response(
        job.number, phase="after", playing=playing, place="head", file_name="a.txt",
        content=lines.encode(), actor=workshop.technician,
    )  # fmt: skip


@pytest.mark.once
@pytest.mark.parametrize(("off_db", "said"), [(1.9, "is within 2 dB"), (2.6, "within 2 dB")])
def test_the_second_car_is_held_against_the_first(
    workshop: Workshop, client: Client, off_db: float, said: str
) -> None:
    """Only what was measured of the same sound counts, and overall loudness is left out."""
    first = workshop.job()
    workshop.wire(first)
    _measured(workshop, first, 0.0)
    workshop.prove(first)
    sheet = workshop.sign(move(first.pk, "finish", workshop.technician))
    setup = create_setup(sheet.pk, "Four channels", "", workshop.technician)
    second = workshop.job(first.vehicle.vehicle_model)
    _measured(workshop, second, off_db)
    client.force_login(workshop.technician)
    url = reverse("bay_measured", args=[second.number])
    assert client.get(url).context["comparison"]["as_setup"] is None, "nothing was taken over yet"
    take_default(setup, second, workshop)
    verdict = client.get(url).context["comparison"]["as_setup"]
    assert (verdict.light == "green") is (off_db < 2)
    assert said in verdict.said
    document = sheet_document.draft(sheet_document.load(pk=second.pk))
    assert document["sound"]["measured"][0]["as_setup"] == verdict.said
    _measured(workshop, second, 0.0, "left")
    assert client.get(url, {"playing": "left"}).context["comparison"]["as_setup"] is None
