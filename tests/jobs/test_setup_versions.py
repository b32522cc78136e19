"""What a setup holds, who answers for it, how it is found, and what it learns."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.utils import timezone
from jsonschema import Draft202012Validator

import jobs
from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import (
    Channel,
    ChannelSetting,
    Job,
    SavedSetup,
    SetupState,
    TimeEntry,
)
from jobs.reads.wire_book import plugs_of
from jobs.services.moves import move
from jobs.services.saving import save_row
from jobs.setups import document as setup_document
from jobs.setups.apply import apply_setup, apply_to_jobs, preview, to_reconfirm
from jobs.setups.document import SetupError
from jobs.setups.find import best_matches, matches_for
from jobs.setups.learning import learn, lessons
from jobs.setups.library import (
    approve_setup,
    bring_back,
    comebacks_since,
    create_setup,
    withdraw_setup,
)
from jobs.setups.schema import schema
from jobs.undo import undo
from shop.models import VehicleModel
from tests.factories import VehicleFactory, VehicleModelFactory, make_job, make_photo, make_product
from tests.jobs.workshop import Workshop

pytestmark = [pytest.mark.django_db, pytest.mark.once]

PUBLISHED = Path(jobs.__file__).parent / "setups" / "schemas" / "setup-4.json"
FIRST = {
    "setup_version": 1,
    "source": {
        "sheet": "J1001-1",
        "document_sha256": "0" * 64,
        "signed_at": "2026-03-04T10:00:00+00:00",
        "signed_by": "A Manager",
    },
    "vehicle": {
        "make": "Corvane",
        "model": "Lyra",
        "years": "2018–",
        "trim": "",
        "audio_package": "",
        "body_shape": "van",
    },
    "products": {},
    "speaker_parts": {"SP1": ""},
    "plan": {
        "devices": [{"id": "A1", "name": "Four", "kind": "amplifier", "amplifier_channels": 4}],
        "speakers": [
            {
                "id": "SP1",
                "name": "Factory",
                "kind": "tweeter",
                "position": "front_dash_left",
                "impedance_ohm": 4,
                "factory": True,
            }
        ],
        "channels": [
            {
                "id": "A1.1",
                "device": "A1",
                "kind": "amplifier",
                "number": 1,
                "speakers": ["SP1"],
                "wire": {"connector": "Door", "positive": {"cavity": "4", "base": "GN"}},
            }
        ],
    },
    "recorded": ["A1.1"],
    "other_settings": [],
}
"""A document as the first version of the program wrote it."""


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def setup(workshop: Workshop) -> SavedSetup:
    job = workshop.ready()
    sheet = workshop.sign(job)
    return create_setup(sheet.pk, "Four channels", "Clip first", workshop.technician)


def use(setup: SavedSetup, job: Job, workshop: Workshop) -> Any:
    """Take over whatever is new."""
    found = preview(setup, job)
    keys = {item.key for item in found.items if item.taken_by_default}
    return apply_setup(job.number, setup.pk, keys, found.token, workshop.technician)


def test_the_published_schema_is_the_one_in_use(setup: SavedSetup) -> None:
    published = json.loads(PUBLISHED.read_text())
    assert published == schema()
    Draft202012Validator.check_schema(published)
    Draft202012Validator(published).validate(setup.document)
    assert not Draft202012Validator(published).is_valid({**setup.document, "recorded": [1]})


def test_a_document_of_the_first_version_is_still_read() -> None:
    made = setup_document.checked(FIRST)
    Draft202012Validator(schema()).validate(made)
    assert (made["vehicle"]["year_from"], made["vehicle"]["year_to"]) == (2018, None)
    (wire,) = made["wires"]
    assert (wire["function"], wire["cavity"], wire["sign"]) == ("Tweeter, dash left", "4", "+")
    broken = {**FIRST, "vehicle": None}
    with pytest.raises(SetupError, match="does not fit version 1"):
        setup_document.checked(broken)


def test_steps_photos_and_time_come_along(workshop: Workshop) -> None:
    job = workshop.job()
    workshop.wire(job)
    workshop.prove(job)
    step = {"outcome": "done", "reason": "Clip breaks", "reading_label": "Earth"}
    job.steps.create(text="Sill trim out", reading_value=0.2, reading_unit="Ω", **step)
    make_photo(job, workshop.technician, subject=f"channel:{job.channels.all()[0].pk}")
    make_photo(job, workshop.technician, subject="check_in")
    began = timezone.now() - timedelta(hours=3)
    TimeEntry.objects.create(
        job=job,
        technician=workshop.technician,
        started_at=began,
        ended_at=began + timedelta(minutes=95),
        ended_by="stopped",
    )
    Job.objects.filter(pk=job.pk).update(stage=Stage.READY_FOR_REVIEW)
    sheet = workshop.sign(Job.objects.get(pk=job.pk))
    document = create_setup(sheet.pk, "Whole", "", workshop.manager).document
    assert document["measured_minutes"] == 95
    (note,) = [one for one in document["step_notes"] if one["note"]]
    assert (note["note"], note["reading"]) == ("Clip breaks", "Earth: 0.2\u00a0Ω")
    assert [one["subject"] for one in document["photos"]] == ["A1.1"]
    assert document["source"]["signed_by"] == str(workshop.manager)
    assert {one["function"] for one in document["wires"]} == {
        "Tweeter, dash left",
        "Tweeter, dash right",
        "Coaxial, rear door left",
        "Coaxial, rear door right",
    }


def test_a_version_cannot_be_changed_in_the_database(setup: SavedSetup) -> None:
    for change in (
        lambda: setup.versions.update(note="other"),
        lambda: setup.versions.all().delete(),
        lambda: setup.events.update(code="other"),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()


def test_a_manager_approves_and_withdraws(setup: SavedSetup, workshop: Workshop) -> None:
    assert setup.state == SetupState.DRAFT
    with pytest.raises(Refused, match="by a manager"):
        approve_setup(setup.pk, workshop.technician)
    assert approve_setup(setup.pk, workshop.manager).is_approved
    with pytest.raises(Refused, match="already"):
        approve_setup(setup.pk, workshop.manager)
    withdraw_setup(setup.pk, "Rattles", workshop.manager)
    assert best_matches(setup.vehicle_model, 2021) == []
    assert bring_back(setup.pk, workshop.manager).state == SetupState.DRAFT
    codes = ["setup.draft", "setup.withdrawn", "setup.approved", "setup.saved"]
    assert list(setup.events.values_list("code", flat=True)) == codes


def copy_to(model: VehicleModel, setup: SavedSetup, name: str, **more: Any) -> SavedSetup:
    return SavedSetup.objects.create(
        vehicle_model=model,
        name=name,
        product_names=setup.product_names,
        by=setup.by,
        **{"state": SetupState.APPROVED, **more},
    )


def test_the_best_matches_come_first_and_say_why_not(setup: SavedSetup, workshop: Workshop) -> None:
    mine = setup.vehicle_model
    alike = {"make": mine.make, "model": mine.model, "trim": mine.trim}
    other_year = VehicleModelFactory(**alike, year_from=2010, year_to=2014)
    other_package = VehicleModelFactory(**alike, audio_package="Four speakers")
    copy_to(other_year, setup, "Older")
    copy_to(other_package, setup, "Plain")
    copy_to(mine, setup, "Same", times_used=2)
    copy_to(VehicleModelFactory(), setup, "Another car")
    job = workshop.job(mine, coaxial=make_product(name="Shrike 100", kind="speaker"))
    found = matches_for(job)
    assert [one.setup.name for one in found] == ["Same", "Plain", "Older", "Four channels"]
    assert [one.near for one in found] == [False, True, True, False]
    against = {one.setup.name: [reason.text for reason in one.against] for one in found}
    assert "For 2010–2014, this car is of 2021" in against["Older"]
    assert any("Other audio package: Four speakers" in text for text in against["Plain"])
    assert against["Same"] == [
        "Not in this job: Tarnholt Dunnock 130",
        "Not in the setup: Tarnholt Shrike 100",
    ]
    early = VehicleFactory(vehicle_model=mine, year=2012)
    assert best_matches(mine, early.year)[0].near


def test_colours_are_to_be_reconfirmed_until_proved(setup: SavedSetup, workshop: Workshop) -> None:
    job = workshop.job(setup.vehicle_model)
    use(setup, job, workshop)
    rows = list(job.channels.order_by("number"))
    assert to_reconfirm(job) == {row.pk for row in rows}
    save_row(
        Channel,
        rows[0].pk,
        {"polarity_proved": True},
        number=job.number,
        actor=workshop.technician,
        version=rows[0].version,
    )
    assert to_reconfirm(job) == {row.pk for row in rows[1:]}


def test_one_setup_for_a_fleet_says_what_became_of_each(
    setup: SavedSetup, workshop: Workshop, client: Client
) -> None:
    parts = [workshop.amplifier, workshop.tweeter, workshop.coaxial]
    other = make_product(name="Weir Five", amplifier_channels=5, ratings=[(4, 50, False)])
    booked = [
        make_job(
            Stage.BOOKED,
            actor=workshop.desk,
            vehicle=VehicleFactory(vehicle_model=setup.vehicle_model),
            parts_wanted=[first, *parts[1:]],
        )
        for first in (workshop.amplifier, other)
    ]
    for job in booked:
        job.parts.filter(product__kind="speaker").update(quantity=2)
    collected = make_job(Stage.COLLECTED, vehicle=booked[0].vehicle)
    results = apply_to_jobs(
        setup.pk, [job.number for job in (*booked, collected)], workshop.technician
    )
    whole, partly, closed = results
    assert whole.applied is not None
    assert whole.to_decide == {}
    assert whole.job.channels.filter(connector="Door plug").count() == 4
    assert partly.to_decide.keys() >= {"parts", "channels"}
    assert partly.job.speakers.count() == 4
    assert closed.refused
    setup.refresh_from_db()
    assert setup.times_used == 2
    undo(whole.job.number, whole.applied.event.pk, workshop.technician)
    assert not whole.job.speakers.exists()
    setup.refresh_from_db()
    assert setup.times_used == 1
    client.force_login(workshop.technician)
    url = f"/setups/{setup.pk}/several-jobs/"
    assert collected.number not in {job.number for job, _ in client.get(url).context["jobs"]}
    assert client.post(url, {}).status_code == 422
    page = client.post(url, {"job": whole.job.number})
    assert page.context["results"][0].applied


def finish(job: Job, workshop: Workshop) -> Job:
    workshop.prove(job)
    job.channels.update(polarity_proved=True)
    move(job.pk, "finish", workshop.technician)
    workshop.sign(Job.objects.get(pk=job.pk))
    return Job.objects.get(pk=job.pk)


def test_what_was_done_otherwise_becomes_a_version(
    setup: SavedSetup, workshop: Workshop, client: Client
) -> None:
    job = workshop.job(setup.vehicle_model)
    use(setup, job, workshop)
    channel = job.channels.get(number=1)
    workshop.set(job, channel, "after", {"level_db": -7.0})
    Channel.objects.filter(pk=channel.pk).update(positive_cavity="9")
    used = job.setup_uses.get()
    with pytest.raises(Refused, match="not signed"):
        lessons(used)
    job = finish(job, workshop)
    used = job.setup_uses.get()
    found = {one.key: one for one in lessons(used)}
    assert found.keys() == {"channels:A1.1", "settings:A1.1"}
    assert "−4.5\N{NO-BREAK SPACE}dB" in found["settings:A1.1"].before
    assert "−7.0\N{NO-BREAK SPACE}dB" in found["settings:A1.1"].after
    client.force_login(workshop.manager)
    url = f"/jobs/{job.number}/setup-learned/{used.pk}/"
    assert f'href="{url}"' in client.get(f"/jobs/{job.number}/").content.decode()
    stale = client.post(url, {"fold": "settings:A1.1", "on": "7"})
    assert stale.status_code == 422
    client.post(url, {"fold": "settings:A1.1", "on": "1", "note": "Less sharp"})
    setup.refresh_from_db()
    assert setup.version == 2
    first, second = setup.versions.order_by("number")
    assert second.from_sheet == job.sheets.get()
    one, other = (version.document["plan"]["channels"][0] for version in (first, second))
    assert (one["setting"]["level_db"], other["setting"]["level_db"]) == (-4.5, -7.0)
    assert one["wire"] == other["wire"]
    assert first.document["plan"]["channels"][1:] == second.document["plan"]["channels"][1:]
    page = client.get(f"/setups/{setup.pk}/versions/").content.decode()
    assert "Less sharp" in page
    assert "−7.0\N{NO-BREAK SPACE}dB" in page
    assert f'href="{url}"' not in client.get(f"/jobs/{job.number}/").content.decode()
    with pytest.raises(ChangedMeanwhile):
        learn(used.pk, ["channels:A1.1"], "", workshop.manager, on=1)
    assert learn(used.pk, ["channels:A1.1"], "", workshop.manager, on=2)
    following = workshop.job(setup.vehicle_model)
    use(SavedSetup.objects.get(pk=setup.pk), following, workshop)
    row = ChannelSetting.objects.get(record__job=following, channel__number=1)
    assert (row.level_db, row.channel.positive_cavity) == (-7.0, "9")
    assert lessons(job.setup_uses.get()) == []


def test_comebacks_are_counted(setup: SavedSetup, workshop: Workshop) -> None:
    job = workshop.job(setup.vehicle_model)
    use(setup, job, workshop)
    assert comebacks_since(setup) == 0
    make_job(Stage.BOOKED, vehicle=job.vehicle, comeback_of=job)
    assert comebacks_since(setup) == 1


def test_the_wire_book_counts_cars_and_marks_conflicts(
    setup: SavedSetup, workshop: Workshop, client: Client
) -> None:
    assert setup.from_sheet is not None
    model = setup.vehicle_model
    plugs, elsewhere = plugs_of(model)
    (plug,) = plugs
    assert (plug.name, len(plug.cavities), plug.conflicts, elsewhere) == ("Door plug", 8, 0, [])
    assert plug.cavities[0].seen[0].proved == 1

    job = workshop.job(model)
    workshop.wire(job)
    channel = job.channels.get(number=1)
    Channel.objects.filter(pk=channel.pk).update(positive_base="OG")
    make_photo(job, workshop.technician, subject=f"channel:{channel.pk}")
    assert plugs_of(model)[0][0].conflicts == 0, "an unsigned job says nothing yet"
    finish(job, workshop)
    (plug,), _ = plugs_of(model)
    conflict = plug.cavities[0]
    assert conflict.conflict
    assert [one.code for one in conflict.seen] == ["GN/WH", "OG/WH"]
    assert plug.cavities[1].seen[0].cars == 2
    assert len(plug.photos) == 1

    def names(text: str) -> list[str]:
        return [cavity.name for plug in plugs_of(model, text)[0] for cavity in plug.cavities]

    assert names("orange") == ["1"]
    assert names("rear door right") == ["7", "8"]
    assert names("violet/white") == ["3"]
    assert names("boot") == []
    client.force_login(workshop.desk)
    assert "Conflict" in client.get(f"/wire-book/{model.pk}/?q=orange").content.decode()
    assert str(model) in client.get("/wire-book/").content.decode()
