"""Correcting a signed sheet: the car stays where it is, and the new revision says what differs."""

import copy
import importlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import connection, connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Refused
from jobs.lifecycle import Correction, Stage
from jobs.models import InstallSheet, Job
from jobs.reads.board import bay_days, live_jobs
from jobs.services import functions
from jobs.services.moves import move
from jobs.services.notes import add_note
from jobs.services.parts import add_part
from jobs.sheet import document as sheet_document
from jobs.sheet.change_values import change_values, said_of
from jobs.sheet.changes import changes
from jobs.sheet.sign_off import collect_job, sign_off_job
from jobs.sheet.values import MANAGER_ROLE, sheet_values
from jobs.templatetags.desk import readiness
from jobs.wording import Local
from shop import frozen
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import PASSWORD, make_job, make_shop, make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db
LOCAL = Local("metric", "UTC")


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def signed(workshop: Workshop) -> Job:
    job = workshop.ready()
    workshop.sign(job)
    return fresh(job)


@pytest.fixture
def collected(workshop: Workshop, signed: Job) -> Job:
    collect_job(signed.pk, workshop.desk, "TESSA ROWAN")
    long_ago = timezone.now() - timedelta(days=3)
    frozen.remove(connection)
    Job.objects.filter(pk=signed.pk).update(promised_at=long_ago, stage_since=long_ago)
    frozen.install(connection)
    return fresh(signed)


def fresh(job: Job) -> Job:
    return Job.objects.with_names().get(pk=job.pk)


def stands_as_collected(job: Job) -> bool:
    now = fresh(job)
    return (
        now.stage == Stage.COLLECTED
        and now.stage_since == job.stage_since
        and readiness(now) == "gone"
        and not now.is_late
        and now not in live_jobs()
        and not any(one.busy for one in bay_days(timezone.localdate()) if one.bay == job.bay)
    )


def serial(job: Job, number: str) -> None:
    job.parts.filter(label="A1").update(serial=number)


def test_a_collected_car_stays_collected_through_its_correction(
    workshop: Workshop, collected: Job, client: Client
) -> None:
    job, why = collected, "The serial number was misread"
    next_week = job.starts_at + timedelta(days=7)
    other = make_job(Stage.CHECKED_IN, bay=job.bay, starts_at=next_week)
    client.force_login(workshop.manager)
    opened = client.post(f"/sheets/{job.number}-1/correct/", {"reason": why, "password": PASSWORD})
    assert opened.status_code == 302 and stands_as_collected(job)
    # The bay is free for others, and one that is in it keeps no correction out.
    move(other.pk, "start_work", workshop.technician)
    serial(job, "WF-20481")
    page = client.get(f"/jobs/{job.number}/").content.decode()
    for said in (why, "WF-20418", "WF-20481", "Correction of", "Hand correction to review"):
        assert said in page
    found = client.get(reverse("find"), {"q": f"J{job.number}"}).content.decode()
    assert "Collected" in found and "Correction open" in found
    assert "Ready" not in found and "Not yet" not in found

    client.force_login(workshop.technician)
    assert client.get(f"/jobs/{job.number}/bay/fit/").context["sheet"].can_edit
    assert client.get(f"/jobs/{job.number}/bay/finish/").context["missing"] == []
    client.post(f"/jobs/{job.number}/bay/move/hand_correction/")
    assert fresh(job).correction == Correction.IN_REVIEW and stands_as_collected(job)
    with pytest.raises(Refused, match="closed: the job is collected, correction in review"):
        add_note(job.number, "One more", actor=workshop.technician)

    client.force_login(workshop.manager)
    assert job in client.get("/review/").context["jobs"]
    review = client.get(f"/jobs/{job.number}/review/").content.decode()
    for said in (why, "WF-20418", "WF-20481"):
        assert said in review
    client.post(f"/jobs/{job.number}/review/sign/", {"password": PASSWORD})
    now = fresh(job)
    assert (now.correction, now.correction_since, now.correction_reason) == ("", None, "")
    assert stands_as_collected(job)

    first, second = InstallSheet.objects.filter(job=job)
    assert (second.corrects, second.correction_reason) == (first, why)
    assert second.document["sheet"]["changes"] == [
        {"path": ["parts", "A1", "serial"], "was": "WF-20418", "is": "WF-20481"}
    ]
    assert second.document["signatures"]["work"] == first.document["signatures"]["work"]
    for address in (f"/sheets/{job.number}-2/", f"/jobs/{job.number}/"):
        assert why in client.get(address).content.decode()
    sheet = client.get(f"/sheets/{job.number}-2/").content.decode()
    assert "A1, serial number" in sheet and "WF-20418" in sheet


def test_a_car_waiting_for_its_owner_waits_for_the_corrected_sheet(
    workshop: Workshop, signed: Job, client: Client
) -> None:
    assert readiness(signed) == "ready"
    move(signed.pk, "correct", workshop.manager, "The serial number was misread")
    now = fresh(signed)
    assert now.stage == Stage.SIGNED_OFF and readiness(now) == "not_yet" and now in live_jobs()
    with pytest.raises(Refused, match="correction open now"):
        collect_job(signed.pk, workshop.desk, "TESSA ROWAN")
    client.force_login(workshop.desk)
    page = client.get(f"/jobs/{signed.number}/collect/").content.decode()
    assert "being corrected" in page
    serial(signed, "WF-20481")
    move(signed.pk, "hand_correction", workshop.technician)
    sheet = workshop.sign(fresh(signed))
    assert readiness(fresh(signed)) == "ready"
    assert collect_job(signed.pk, workshop.desk, "TESSA ROWAN").sheet == sheet


def test_a_revision_that_changes_nothing_is_refused_and_can_be_abandoned(
    workshop: Workshop, collected: Job, client: Client
) -> None:
    move(collected.pk, "correct", workshop.manager, "To be looked at")
    move(collected.pk, "hand_correction", workshop.technician)
    client.force_login(workshop.manager)
    refused = client.post(f"/jobs/{collected.number}/review/sign/", {"password": PASSWORD})
    assert refused.status_code == 422
    assert f"Nothing differs from J{collected.number}-1" in refused.content.decode()
    assert collected.sheets.count() == 1
    page = client.get(f"/jobs/{collected.number}/").content.decode()
    assert "Nothing differs from" in page and "Abandon the correction" in page
    client.post(f"/jobs/{collected.number}/move/abandon_correction/")
    now = fresh(collected)
    assert (now.correction, now.correction_since, now.correction_reason) == ("", None, "")
    assert stands_as_collected(collected)
    move(collected.pk, "correct", workshop.manager, "Once more")


def test_a_correction_with_entries_is_abandoned_once_they_are_put_back(
    workshop: Workshop, collected: Job
) -> None:
    move(collected.pk, "correct", workshop.manager, "To be looked at")
    # A fact kept elsewhere is nobody's entry on this job: it keeps no correction open.
    collected.customer.__class__.objects.filter(pk=collected.customer_id).update(phone="555 9999")
    check = collected.function_checks.all()[0]

    def tried(result: str) -> None:
        check.refresh_from_db()
        functions.record(
            collected.number,
            check.pk,
            "after",
            {"after": result},
            actor=workshop.technician,
            version=check.version,
        )

    tried("not_fitted")
    with pytest.raises(Refused, match=rf"{check.name}, after: works → not fitted"):
        move(collected.pk, "abandon_correction", workshop.manager)
    tried("works")
    move(collected.pk, "abandon_correction", workshop.manager)
    assert stands_as_collected(collected)


def test_a_stop_is_not_signed_over_in_a_correction(workshop: Workshop, collected: Job) -> None:
    move(collected.pk, "correct", workshop.manager, "The chime was tried again")
    collected.function_checks.filter(pk=collected.function_checks.all()[0].pk).update(after="fault")
    move(collected.pk, "hand_correction", workshop.technician)
    with pytest.raises(Refused, match="worked before and does not now"):
        sign_off_job(collected.pk, workshop.manager)
    move(collected.pk, "send_back_correction", workshop.manager, "Try the chime again")
    assert fresh(collected).correction == Correction.OPEN
    assert fresh(collected).correction_reason == "The chime was tried again"
    assert collected.send_backs.get().reason == "Try the chime again"


def test_cars_sent_to_the_bay_by_older_corrections_stand_where_they_stood(
    workshop: Workshop, collected: Job
) -> None:
    migration = importlib.import_module("jobs.migrations.0012_corrections_keep_the_stage")
    waiting = workshop.ready()
    workshop.sign(waiting)
    plain = make_job(Stage.IN_BAY)
    for job in (collected, waiting):
        move(job.pk, "correct", workshop.manager, f"Reason of {job}")
    migration.back_to_the_bay(apps, None)
    Job.objects.filter(pk=waiting.pk).update(stage=Stage.READY_FOR_REVIEW)
    assert {fresh(one).stage for one in (collected, plain)} == {Stage.IN_BAY}
    migration.keep_the_stage(apps, None)
    back = [(j.stage, j.correction, j.correction_reason) for j in map(fresh, (collected, waiting))]
    assert back == [
        (Stage.COLLECTED, Correction.OPEN, f"Reason of {collected}"),
        (Stage.SIGNED_OFF, Correction.IN_REVIEW, f"Reason of {waiting}"),
    ]
    assert fresh(plain).stage == Stage.IN_BAY
    # Signed again in the old way, a car that is gone stood as if it waited.
    Job.objects.filter(pk=collected.pk).update(
        stage=Stage.SIGNED_OFF, correction="", correction_since=None
    )
    migration.keep_the_stage(apps, None)
    assert fresh(collected).stage == Stage.COLLECTED


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_no_entry_slips_into_a_correction_that_is_being_abandoned(workshop: Workshop) -> None:
    job = workshop.ready()
    workshop.sign(job)
    for turn in range(4):
        move(job.pk, "correct", workshop.manager, "To be looked at")
        notes = job.notes.count()

        def abandon_or_write(which: int, turn: int = turn) -> bool:
            try:
                if which:
                    add_note(job.number, f"Note {turn} {which}", actor=workshop.technician)
                else:
                    move(job.pk, "abandon_correction", workshop.manager)
            except Refused:
                return False
            finally:
                connections.close_all()
            return True

        with ThreadPoolExecutor(3) as people:
            abandoned, *wrote = people.map(abandon_or_write, range(3))
        assert job.notes.count() - notes == sum(wrote)
        assert (fresh(job).correction == Correction.NONE) == abandoned != any(wrote)
        if not abandoned:
            move(job.pk, "hand_correction", workshop.technician)
            workshop.sign(fresh(job))


# What differs ----------------------------------------------------------------------------------

FOLLOWS_FROM_OTHERS = {
    ("document_version",),
    ("language",),
    ("logo",),
    ("sheet",),
    ("signatures", "manager"),
    ("signatures", "condition", "image"),
    ("plan", "assumptions"),
    ("plan", "schema_version"),
    ("plan_before", "devices"),
    ("plan_before", "speakers"),
    ("plan_before", "runs"),
    ("plan_before", "supply"),
    ("plan_before", "assumptions"),
    ("plan_before", "schema_version"),
    ("sound", "curves"),
    ("assumptions", "*", "source"),
}
"""Places of a document whose change follows from another that is listed."""

SAID_TWICE = {
    *(("parts", "*", name) for name in ("product_id", "maker", "name", "kind_label")),
    *(("function_checks", "*", name) for name in ("before_label", "after_label", "lost")),
    *(("readings", "*", name) for name in ("unit", "about", "wanted_before")),
    *(("findings", "*", name) for name in ("rule", "source", "what_to_do", "where", "figures")),
    *(("results", "power", "*", name) for name in ("figures", "node_v", "return_v")),
    *(("results", "standing", "*", name) for name in ("formula", "worked", "source", "assumed")),
    ("results", "channels", "*", "drawing"),
}


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict | list):
        for key, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(one, (*path, key))
    else:
        yield path


def other(value: Any) -> Any:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value * 1.5 + 1
    if value in {"linkwitz_riley", "butterworth"}:
        return "bessel"
    if isinstance(value, str) and value[4:5] == "-" and value[:4].isdigit():
        return f"2031{value[4:]}"
    return f"{value or ''}x"


def left_out(path: tuple[Any, ...]) -> bool:
    plain = tuple("*" if isinstance(one, int) else one for one in path)
    if plain[0] == "plan_before" and "setting" not in plain:
        return True
    for wanted in FOLLOWS_FROM_OTHERS | SAID_TWICE:
        if len(wanted) <= len(plain) and all(
            a in {b, "*"} for a, b in zip(wanted, plain, strict=False)
        ):
            return True
    return False


def changed_at(node: Any, path: tuple[Any, ...]) -> Any:
    """The document with one leaf changed; what lies beside the way to it is the same."""
    if not path:
        return other(node)
    first, *rest = path
    copied = node.copy()
    copied[first] = changed_at(node[first], tuple(rest))
    return copied


@pytest.mark.once
def test_every_single_difference_of_two_records_is_told(workshop: Workshop) -> None:
    """Each leaf of a whole document changed alone: told once or more, in words that differ."""
    job = workshop.ready()
    job.notes.create(text="Grommet behind the battery", by=workshop.technician)
    job.other_settings.create(name="Head unit bass", before="+3", after="0")
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert changes(document, copy.deepcopy(document)) == []
    untold = set()
    for path in leaves(document):
        if left_out(path):
            continue
        found = changes(document, changed_at(document, path))
        if not found or any(said_of(one, LOCAL).count("→") != 1 for one in found):
            untold.add(path)
    assert not untold


def test_the_second_of_two_equal_amplifiers_is_the_one_named(workshop: Workshop) -> None:
    job = workshop.job()
    add_part(job.pk, workshop.amplifier, 1, workshop.technician)
    before = sheet_document.draft(sheet_document.load(pk=job.pk))
    job.parts.filter(label="A2").update(serial="WF-20777")
    job.channels.filter(part__label="A2", number=3).update(positive_base="GN", positive_cavity="7")
    after = sheet_document.draft(sheet_document.load(pk=job.pk))
    told = [
        (group["title"], row["what"], row["was"], row["is"])
        for group in change_values(changes(before, after), LOCAL)
        for row in group["rows"]
        if group["title"] in {"Parts", "Channels and wires"}
    ]
    assert told[0] == ("Parts", "A2, serial number", "–", "WF-20777")
    assert {what.partition(",")[0] for _, what, _, _ in told[1:]} == {"A2.3"}


def test_changes_are_told_in_readable_words() -> None:
    before = {
        "parts": [{"label": "A1", "serial": "1"}],
        "plan": {
            "channels": [
                {"id": "A1.1", "wire": {"positive": {"cavity": "1", "base": "GN"}}, "setting": {}}
            ],
            "runs": [{"id": "R1", "length_m": 2.0}],
        },
        "tuning": {"after": {"channels": ["A1.1"]}},
        "readings": [{"label": "Battery at rest", "unit": "V", "after_value": 12.5}],
        "function_checks": [{"name": "Horn", "after": "works"}],
        "notes": [],
    }
    after = copy.deepcopy(before)
    after["parts"].append({"label": "A2", "product": "Tarnholt Weir Four", "quantity": 1})
    channel = after["plan"]["channels"][0]
    channel["wire"]["positive"]["base"] = "VT"
    channel["setting"] = {
        "high_pass": {"family": "linkwitz_riley", "order": 4, "frequency_hz": 90.0},
        "level_db": -4.5,
    }
    after["plan"]["runs"][0]["length_m"] = 2.5
    after["readings"][0]["after_value"] = 12.75
    after["function_checks"][0]["after"] = "not_fitted"
    after["notes"] = [{"text": "Grommet moved", "by": "Wanda"}]
    assert [said_of(one, LOCAL).replace("\u00a0", " ") for one in changes(before, after)] == [
        "A2: – → product Tarnholt Weir Four, quantity 1",
        "A1.1, wire, positive: pin 1, green → pin 1, violet",
        "R1, length: 2.00 m → 2.50 m",
        "A1.1, level: 0.0 dB → −4.5 dB",
        "A1.1, high-pass: – → 90 Hz, Linkwitz-Riley 24",
        "Horn, after: works → not fitted",
        "Battery at rest, after: 12.5 V → 12.75 V",
        "Grommet moved: – → Wanda",
    ]


def _second_manager(workshop: Workshop) -> StaffMember:
    """Of the same name as the first: people are told apart by who they are."""
    return make_staff(Role.MANAGER, name=workshop.manager.name)


def _manager_signature(sheet: InstallSheet) -> dict[str, Any]:
    [one] = [
        one for one in sheet_values(sheet.document)["signatures"] if one["role"] == MANAGER_ROLE
    ]
    assert isinstance(one, dict)
    return one


def _worked_by(job: Job, person: StaffMember) -> None:
    """The job's handing over tells that this person did the work."""
    event = job.events.filter(code="job.finish").get()
    frozen.remove(connection)
    event.after["worked"] = [{"id": person.pk, "name": str(person)}]
    event.save()
    frozen.install(connection)


def test_reviewing_ones_own_work_is_said_or_refused(workshop: Workshop) -> None:
    other = _second_manager(workshop)
    own, others = workshop.ready(), workshop.ready()
    _worked_by(own, workshop.manager)
    make_shop(own_review_allowed=False)
    with pytest.raises(Refused, match="nobody reviews their own"):
        workshop.sign(own)
    assert not InstallSheet.objects.filter(job=own).exists()
    assert _manager_signature(workshop.sign(others))["note"] == ""
    assert _manager_signature(sign_off_job(own.pk, other))["note"] == "", "the other of this name"
    make_shop(own_review_allowed=True)
    again = workshop.ready()
    _worked_by(again, workshop.manager)
    assert _manager_signature(workshop.sign(again))["note"] == "reviewed their own work"


def test_who_entered_a_correction_and_signs_it_is_said(
    workshop: Workshop, signed: Job, client: Client
) -> None:
    make_shop(own_review_allowed=False)
    move(signed.pk, "correct", workshop.manager, "Misread")
    add_note(signed.number, "Serial read again", actor=workshop.manager)
    move(signed.pk, "hand_correction", workshop.technician)
    client.force_login(workshop.manager)
    page = client.get(f"/jobs/{signed.number}/review/").content.decode()
    assert "nobody reviews their own" in page
    with pytest.raises(Refused, match="nobody reviews their own"):
        sign_off_job(signed.pk, workshop.manager)
    make_shop(own_review_allowed=True)
    page = client.get(f"/jobs/{signed.number}/review/").content.decode()
    assert "the sheet says so" in page and "nobody reviews their own" not in page
    sheet = sign_off_job(signed.pk, workshop.manager)
    assert _manager_signature(sheet)["note"] == "reviewed their own entries in this correction"
    first = InstallSheet.objects.get(job=signed, revision=1)
    assert sheet.document["signatures"]["work"] == first.document["signatures"]["work"]
    # A record from before this was kept renders as it did.
    del first.document["signatures"]["manager"]["own"]
    assert _manager_signature(first)["note"] == ""
