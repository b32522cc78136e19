"""The keyed record: whatever is changed behind the program's back is refused or named."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.test import Client

from jobs.lifecycle import Stage
from jobs.models import CheckIn, InstallSheet, Job, JobEvent, Photo, RecordChain, Seal
from jobs.record_key import KeyLost, key_path
from jobs.services import record, shop_chain
from jobs.services.check_in import Mark, save_check_in, sign_check_in
from jobs.services.events import log
from jobs.services.moves import move
from jobs.services.notes import add_note
from jobs.sheet import document as sheet_document, render
from jobs.sheet.record_check import check_book, check_job, check_sheet
from jobs.sheet.sign_off import collect_job
from shop import frozen
from shop.models import Customer
from shop.services import events
from tests.factories import make_job, make_photo
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(workshop: Workshop) -> Job:
    """A collected job with photos, checked in, signed and received as the shop does it."""
    job = workshop.job()
    frozen.remove(connection)
    CheckIn.objects.filter(job=job).delete()
    Job.objects.filter(pk=job.pk).update(stage=Stage.BOOKED)
    frozen.install(connection)
    condition = save_check_in(
        job.pk, {"odometer": 48210}, [Mark("dent", 0.4, 0.3)], version=0, actor=workshop.desk
    )
    make_photo(job, workshop.desk, subject=f"mark:{condition.marks.get().key}")
    sign_check_in(
        job.pk,
        signed_name="TESSA ROWAN",
        signature="",
        version=condition.version,
        actor=workshop.desk,
    )
    move(job.pk, "start_work", workshop.technician)
    make_photo(job, workshop.technician)
    workshop.wire(job)
    workshop.prove(job)
    move(job.pk, "finish", workshop.technician)
    workshop.sign(job)
    collect_job(job.pk, workshop.desk, "TESSA ROWAN")
    job.refresh_from_db()
    return job


def raw(sql: str, *values: Any) -> None:
    """What somebody with the database alone can do: the triggers do not stop them."""
    frozen.remove(connection)
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
    connection.check_constraints()
    frozen.install(connection)


def _sheet(job: Job) -> InstallSheet:
    return job.sheets.get()


def change_document(job: Job) -> None:
    """Document and hash agree again afterwards."""
    document = _sheet(job).document
    document["parts"][0]["serial"] = "WF-99999"
    raw(
        "UPDATE jobs_installsheet SET document = %s, document_sha256 = %s WHERE job_id = %s",
        json.dumps(document),
        sheet_document.sha256_of(document),
        job.pk,
    )


def swap_pdf(job: Job) -> None:
    """A PDF of another document, signed with the shop's own key, and its hash recomputed."""
    document = _sheet(job).document
    document["parts"][0]["serial"] = "WF-99999"
    pdf = render.signed_pdf(document)
    sha256 = hashlib.sha256(pdf).hexdigest()
    raw(
        "UPDATE jobs_installsheet SET pdf = %s, pdf_sha256 = %s WHERE job_id = %s",
        pdf,
        sha256,
        job.pk,
    )


def number_changed(job: Job) -> None:
    raw("UPDATE jobs_job SET number = number + 500 WHERE id = %s", job.pk)


def forge_receipt(job: Job) -> None:
    raw("UPDATE jobs_sheetreceipt SET signed_name = 'SOMEBODY ELSE'")


def remove_receipt(job: Job) -> None:
    raw("DELETE FROM jobs_sheetreceipt")


def replace_photo(job: Job) -> None:
    photo = Photo.objects.get(job=job, subject="job")
    Path(photo.file.path).write_bytes(b"another picture")


def lose_photo(job: Job) -> None:
    default_storage.delete(Photo.objects.get(job=job, subject="job").file.name)


def replace_arrival_photo(job: Job) -> None:
    photo = Photo.objects.get(job=job, subject__startswith="mark:")
    Path(photo.file.path).write_bytes(b"another picture")


def change_event(job: Job) -> None:
    raw('UPDATE jobs_jobevent SET after = \'{"stage": "in_bay"}\' WHERE number = 3')


def remove_event(job: Job) -> None:
    raw("DELETE FROM jobs_jobevent WHERE number = 4 AND job_id = %s", job.pk)


def cut_the_tail(job: Job) -> None:
    """The last event goes, and count and head are set to what they were before it."""
    *_, before, last = job.events.order_by("pk")
    raw("DELETE FROM jobs_jobevent WHERE id = %s", last.pk)
    raw("UPDATE jobs_recordchain SET count = %s, head = %s", before.number, before.chain)


def put_event_in(job: Job) -> None:
    columns = '"at", "code", "subject", "before", "after", "job_id", "actor_id", "chain"'
    raw(
        f"INSERT INTO jobs_jobevent ({columns}, number) SELECT {columns}, number + 1 "
        "FROM jobs_jobevent WHERE job_id = %s ORDER BY id DESC LIMIT 1",
        job.pk,
    )


def swap_events(job: Job) -> None:
    """Two neighbours change places: what they say, with their numbers and links."""
    raw("UPDATE jobs_jobevent SET number = 13 - number WHERE number IN (6, 7)")


def swap_rows_of_events(job: Job) -> None:
    """Two neighbours change places by their keys alone."""
    first, second = job.events.filter(number__in=[6, 7]).order_by("pk").values_list("pk", flat=True)
    for old, new in ((first, -1), (second, first), (-1, second)):
        raw("UPDATE jobs_jobevent SET id = %s WHERE id = %s", new, old)


def lose_head(job: Job) -> None:
    raw("DELETE FROM jobs_recordchain")


def remove_seal(job: Job) -> None:
    raw("DELETE FROM jobs_seal WHERE kind = 'sheet'")


def forge_seal(job: Job) -> None:
    raw('UPDATE jobs_seal SET content = \'{"number": "J1-1", "columns": {}}\'')


def change_row(job: Job) -> None:
    raw("UPDATE jobs_reading SET after_value = 99 WHERE job_id = %s", job.pk)


def remove_row(job: Job) -> None:
    raw("DELETE FROM jobs_fitproof WHERE job_id = %s", job.pk)


def put_row_in(job: Job) -> None:
    raw(
        "INSERT INTO jobs_jobnote (job_id, text, by_id, at) SELECT id, 'Late', booked_by_id, "
        "booked_at FROM jobs_job WHERE id = %s",
        job.pk,
    )


def change_condition(job: Job) -> None:
    raw("UPDATE jobs_checkin SET odometer = 1 WHERE job_id = %s", job.pk)


def change_mark(job: Job) -> None:
    raw("UPDATE jobs_conditionmark SET kind = 'scratch'")


def move_by_hand(job: Job) -> None:
    raw("UPDATE jobs_job SET stage = 'in_bay' WHERE id = %s", job.pk)


def drop_triggers(job: Job) -> None:
    frozen.remove(connection)


BEHIND_OUR_BACK: list[tuple[Callable[[Job], None], str, bool]] = [
    (change_document, "the record, the record’s hash was changed", True),
    (swap_pdf, "the PDF, the PDF’s hash was changed", True),
    (number_changed, "its number was", True),
    (forge_receipt, "the customer’s name was changed", True),
    (remove_receipt, "the customer’s signature is gone", True),
    (replace_photo, "was replaced", True),
    (lose_photo, "is gone", True),
    (replace_arrival_photo, "was replaced", True),
    (change_event, "event 3", True),
    (remove_event, "lacks event 4", True),
    (cut_the_tail, "head of the log was changed", True),
    (put_event_in, "were written", True),
    (swap_events, "out of order", True),
    (swap_rows_of_events, "out of order", True),
    (lose_head, "head of the log is gone", True),
    (remove_seal, "it has no seal", True),
    (forge_seal, "was forged or changed", True),
    (change_row, "was changed after signing", False),
    (remove_row, "was removed after signing", False),
    (put_row_in, "was put in after signing", False),
    (change_condition, "check-in", False),
    (change_mark, "condition mark", False),
    (move_by_hand, "it stands at “in_bay”", False),
    (drop_triggers, "triggers that protect jobs_reading", False),
]
"""What is done, what is said of it, and whether the page of the sheet says it too."""


def test_whatever_is_done_behind_our_back_is_named(
    job: Job, client: Client, workshop: Workshop
) -> None:
    """One after the other on the same job, each taken back again."""
    client.force_login(workshop.manager)
    assert list(check_book()) == []
    assert (
        "Unchanged since it was signed" in client.get(f"/sheets/{job.number}-1/").content.decode()
    )
    kept = {photo.file.path: Path(photo.file.path).read_bytes() for photo in job.photos.all()}
    for attack, said, on_page in BEHIND_OUR_BACK:
        with transaction.atomic():
            attack(job)
            problems = list(check_book())
            number = Job.objects.get(pk=job.pk).number
            page = client.get(f"/sheets/{number}-1/").content.decode()
            transaction.set_rollback(True)
        for path, data in kept.items():
            Path(path).write_bytes(data)
        assert any(said in one for one in problems), (attack.__name__, problems)
        assert ("Unchanged since it was signed" not in page) == on_page, attack.__name__
    assert list(check_book()) == []


def test_the_command_names_what_is_wrong_and_fails(
    job: Job, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("check_record")
    assert "The record holds: 1 jobs, 1 signed sheets." in capsys.readouterr().out
    change_row(job)
    with pytest.raises(CommandError, match="not as they were signed"):
        call_command("check_record")
    assert f"J{job.number}: reading" in capsys.readouterr().out


def test_a_broken_log_goes_on_and_the_break_stays(job: Job, workshop: Workshop) -> None:
    """The shop can work on; the next event does not hide what was cut off."""
    cut_the_tail(job)
    log(job, workshop.desk, "noted")
    assert any("does not follow" in one for one in check_job(job))


def test_events_of_equal_jobs_hold_for_each_alone(workshop: Workshop) -> None:
    """A whole log that is moved to another job with an equal log is noticed."""
    one, two = workshop.job(), workshop.job()
    for each in (one, two):
        add_note(each.number, "The sill is tight.", actor=workshop.technician)
    raw(
        "UPDATE jobs_jobevent SET job_id = %s + %s - job_id WHERE job_id IN (%s, %s)",
        one.pk,
        two.pk,
        one.pk,
        two.pk,
    )
    assert len(check_job(one)) > 0
    assert len(check_job(two)) > 0


def test_a_correction_is_no_damage(job: Job, workshop: Workshop) -> None:
    """Rows may change under a correction; the old sheet holds, and so does the new."""
    move(job.pk, "correct", workshop.manager, "Serial number was misread")
    job.parts.filter(label="A1").update(serial="WF-20481")
    assert list(check_book()) == []
    move(job.pk, "hand_correction", workshop.technician)
    workshop.sign(Job.objects.get(pk=job.pk))
    assert list(check_book()) == []
    assert check_sheet(job.sheets.get(revision=1)).all


def test_a_lost_key_says_what_to_do_and_none_is_made(
    job: Job, workshop: Workshop, client: Client, data_folder: Path
) -> None:
    aside = data_folder.parent / "aside"
    for name, what in (("record.key", "key of the record"), ("signing.pem", "signing key")):
        (data_folder / name).rename(aside)
        with pytest.raises(CommandError, match=what):
            call_command("check_record")
        client.force_login(workshop.manager)
        page = client.get(f"/sheets/{job.number}-1/").content.decode()
        assert f"{what} is missing or damaged" in page
        assert "Unchanged" not in page
        assert not (data_folder / name).exists()
        aside.rename(data_folder / name)
    call_command("check_record")
    (data_folder / "record.key").unlink()
    with pytest.raises(KeyLost, match="newest backup"):
        log(job, workshop.desk, "noted")


def test_with_the_key_of_another_book_nothing_is_written_nor_called_forged(
    job: Job, workshop: Workshop, client: Client, data_folder: Path
) -> None:
    """As on a machine that was started before the key was copied to it."""
    events.save(Customer(name="Somebody before"), workshop.desk)
    own, standing = key_path().read_text(), job.events.count()
    key_path().write_text("ab" * 32)
    for one in (job, make_job()):
        with pytest.raises(KeyLost, match="not this book’s"), transaction.atomic():
            log(one, workshop.desk, "noted")
    for command in ("check_record", "check_log"):
        with pytest.raises(CommandError, match="not this book’s"):
            call_command(command)
    client.force_login(workshop.manager)
    page = client.get(f"/sheets/{job.number}-1/").content.decode()
    assert "not this book’s" in page and "Unchanged" not in page and "changed since" not in page
    events.save(Customer(name="Somebody"), workshop.desk)

    key_path().write_text(own)
    assert job.events.count() == standing
    assert list(check_book()) == []
    log(job, workshop.desk, "noted")
    assert list(check_book()) == []
    for name in ("Ada", "Brook"):
        events.save(Customer(name=name), workshop.desk)
    (unlinked,) = shop_chain.check()
    assert "of Somebody" in unlinked and "is linked to nothing" in unlinked


def test_sealing_anew_says_from_when_on(
    job: Job, workshop: Workshop, client: Client, data_folder: Path
) -> None:
    with pytest.raises(CommandError, match="Both keys are here"):
        call_command("check_record", seal_anew=True)
    (data_folder / "record.key").unlink()
    (data_folder / "signing.pem").write_bytes(b"damaged")
    call_command("check_record", seal_anew=True)
    client.force_login(workshop.manager)
    page = client.get(f"/sheets/{job.number}-1/").content.decode()
    assert "when this book’s key was made" in page
    assert "Unchanged since it was signed" not in page
    log(job, workshop.desk, "noted")
    assert list(check_book()) == []
    change_event(job)
    assert any("first" in one for one in check_job(job))


def test_a_record_from_before_there_was_a_key_is_sealed_once(job: Job, data_folder: Path) -> None:
    """As the upgrade does it; afterwards whoever empties the seals gets no new ones."""
    raw("DELETE FROM jobs_seal")
    raw("DELETE FROM jobs_recordchain")
    raw("UPDATE jobs_jobevent SET number = NULL, chain = ''")
    assert not record.is_unkeyed()
    assert len(check_job(job)) > 0
    key_path().unlink()
    assert record.is_unkeyed()
    record.seal_anew()
    assert list(check_book()) == []
    assert check_sheet(_sheet(job)).sealed_late is not None
    assert set(Seal.objects.values_list("late", flat=True)) == {True}


@pytest.mark.parametrize("value", [1, 1.0, -0.0, 0.1, 1e16, 1e300, "ü", None, [True], {"a": 2.5}])
def test_an_event_is_told_alike_before_and_after_the_database(
    workshop: Workshop, value: Any
) -> None:
    job = workshop.job()
    log(job, workshop.desk, "noted", after={"value": value, "b": 1, "a": 2})
    assert not [one for one in check_job(job) if "event" in one]
    assert JobEvent.objects.filter(chain="").count() == 0
    assert RecordChain.objects.get(pk=job.pk).count == job.events.count()
