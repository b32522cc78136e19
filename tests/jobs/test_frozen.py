"""What a signed job rests on stays: the database refuses, table by table, on both databases."""

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction

from jobs import frozen
from jobs.lifecycle import Stage
from jobs.models import CheckIn, Job, Photo
from jobs.services import clock
from jobs.services.moves import move
from shop.frozen import APPEND_ONLY as SHOP_LOG
from tests.factories import make_photo
from tests.jobs.every_row import every_row, row_of

pytestmark = pytest.mark.django_db

ALL = [*sorted(frozen.APPEND_ONLY), *frozen.WITH_JOB]


def test_every_table_is_sorted_once() -> None:
    """A new table is frozen or free: somebody decides, and says so in jobs.frozen."""
    found = {
        model._meta.label
        for model in apps.get_models(include_auto_created=True)
        if model._meta.app_label not in frozen.FREE_APPS
    }
    sorted_in = [
        *frozen.APPEND_ONLY,
        *SHOP_LOG,
        *frozen.WITH_JOB,
        *frozen.BESIDE,
        *frozen.KEYED,
        *frozen.FREE,
    ]
    assert found == set(sorted_in)
    assert len(sorted_in) == len(set(sorted_in))


def test_what_belongs_to_a_job_is_frozen_with_it() -> None:
    """A free table may not hold what a job owns."""
    for label in frozen.FREE:
        assert not frozen.owners(frozen.model_of(label)), label
    for label in frozen.BESIDE:
        assert frozen.owners(frozen.model_of(label)), f"{label} is free: it is of no job"


def _columns(label: str, but: str = "") -> str:
    fields = frozen.model_of(label)._meta.concrete_fields
    return ", ".join(f'"{field.column}"' for field in fields if field.column != but)


def _write(sql: str, *values: int) -> None:
    """Run in a savepoint that is always rolled back."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)
        transaction.set_rollback(True)


def _refused(sql: str, *values: int) -> None:
    with pytest.raises(DatabaseError, match="cannot be changed"):
        _write(sql, *values)


def _replacing(label: str) -> str:
    """Put a row, given by its key, in the place of another: its key comes first."""
    table = frozen.model_of(label)._meta.db_table
    rest = _columns(label, "id")
    if connection.vendor == "sqlite":
        return (
            f"INSERT OR REPLACE INTO {table} (id, {rest}) "
            f"SELECT %s, {rest} FROM {table} WHERE id = %s"
        )
    return (
        f"INSERT INTO {table} (id, {rest}) SELECT %s, {rest} FROM {table} WHERE id = %s "
        "ON CONFLICT (id) DO UPDATE SET id = excluded.id + 1000"
    )


@pytest.mark.parametrize("stage", [Stage.SIGNED_OFF, Stage.COLLECTED])
@pytest.mark.parametrize("careless", [False, True], ids=["our connection", "any connection"])
def test_no_statement_changes_what_is_signed(stage: Stage, careless: bool) -> None:
    """Raw SQL on a row of a signed job is refused; the same on an equal open job is not."""
    if careless and connection.vendor != "sqlite":
        pytest.skip("triggers of PostgreSQL ask nothing of the connection")
    signed, open_job = every_row(stage), every_row(Stage.IN_BAY)
    if careless:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA recursive_triggers=OFF")
    else:
        connection.check_constraints()  # Nothing pending: PostgreSQL truncates no table with that.
    try:
        for label in ALL:
            _try_table(label, signed, open_job)
    finally:
        if careless:
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA recursive_triggers=ON")


def _try_table(label: str, signed: Job, open_job: Job) -> None:
    table = frozen.model_of(label)._meta.db_table
    ours, other = row_of(label, signed).pk, row_of(label, open_job).pk
    always = label in frozen.APPEND_ONLY
    _refused(f"UPDATE {table} SET id = id + 1000 WHERE id = %s", ours)
    _refused(f"DELETE FROM {table} WHERE id = %s", ours)
    _refused(_replacing(label), ours, ours)
    _refused(_replacing(label), ours, other)
    if connection.vendor == "sqlite":
        _refused(f"UPDATE OR REPLACE {table} SET id = %s WHERE id = %s", ours, other)
    else:
        _refused(f"TRUNCATE {table} CASCADE")
    if not always and label != "jobs.Job":
        rest = _columns(label, "id")
        _refused(f"INSERT INTO {table} ({rest}) SELECT {rest} FROM {table} WHERE id = %s", ours)
    if always or label in {"jobs.CheckIn", "jobs.ConditionMark", "jobs.Photo"}:
        return  # Signed, though the job is open.
    _write(f"UPDATE {table} SET id = id + 1000 WHERE id = %s", other)
    _write(f"DELETE FROM {table} WHERE id = %s", other)


def test_a_row_cannot_be_moved_into_or_out_of_a_signed_job() -> None:
    signed, open_job = every_row(), every_row(Stage.IN_BAY)
    reading = "UPDATE jobs_reading SET job_id = %s WHERE id = %s"
    _refused(reading, open_job.pk, row_of("jobs.Reading", signed).pk)
    _refused(reading, signed.pk, row_of("jobs.Reading", open_job).pk)
    _refused(
        "UPDATE jobs_channel_speakers SET channel_id = %s WHERE id = %s",
        row_of("jobs.Channel", signed).pk,
        row_of("jobs.Channel_speakers", open_job).pk,
    )


def test_what_a_signed_job_goes_on_to_need_stays_open() -> None:
    job = every_row()
    _write("UPDATE jobs_timeentry SET note = 'Lunch' WHERE job_id = %s", job.pk)
    _write("UPDATE jobs_setupuse SET learned_at = at WHERE job_id = %s", job.pk)
    _write("UPDATE jobs_job SET stage = 'collected' WHERE id = %s", job.pk)
    _refused("UPDATE jobs_job SET wants = 'Louder' WHERE id = %s", job.pk)
    assert job.technician is not None
    assert clock.start(every_row(Stage.IN_BAY).number, job.technician).paused is None


def test_a_correction_opens_the_rows_again() -> None:
    job = every_row()
    _refused("UPDATE jobs_reading SET label = 'Other' WHERE job_id = %s", job.pk)
    move(job.pk, "correct", job.booked_by, "The serial was misread")
    _write("UPDATE jobs_reading SET label = 'Other' WHERE job_id = %s", job.pk)
    _refused("UPDATE jobs_checkin SET odometer = 1 WHERE job_id = %s", job.pk)


def test_a_signed_check_in_is_frozen_like_a_sheet() -> None:
    """The job is open; condition, marks and their photos are signed. A later photo is not."""
    job = every_row(Stage.IN_BAY)
    check_in = CheckIn.objects.get(job=job)
    later = make_photo(job, job.booked_by, subject="check_in")
    _refused("UPDATE jobs_checkin SET odometer = 1 WHERE job_id = %s", job.pk)
    _refused("DELETE FROM jobs_checkin WHERE job_id = %s", job.pk)
    for sql in (
        "UPDATE jobs_conditionmark SET note = 'Old' WHERE check_in_id = %s",
        "DELETE FROM jobs_conditionmark WHERE check_in_id = %s",
        "INSERT INTO jobs_conditionmark (check_in_id, kind, x, y, note, key) "
        "VALUES (%s, 'dent', 0.5, 0.5, '', 'new')",
    ):
        _refused(sql, check_in.pk)
    signed = Photo.objects.get(job=job, subject__startswith="mark:")
    _refused("UPDATE jobs_photo SET caption = 'Old' WHERE id = %s", signed.pk)
    _refused("DELETE FROM jobs_photo WHERE id = %s", signed.pk)
    _write("UPDATE jobs_photo SET caption = 'Later' WHERE id = %s", later.pk)
    Job.objects.filter(pk=job.pk).update(wants="The job itself is open")


def test_a_revision_cannot_be_added_to_a_signed_job_by_hand() -> None:
    job = every_row()
    rest = (
        _columns("jobs.InstallSheet", "id")
        .replace('"revision", ', "")
        .replace('"corrects_id", ', "")
    )
    _refused(
        f"INSERT INTO jobs_installsheet (revision, {rest}) SELECT 2, {rest} "
        "FROM jobs_installsheet WHERE job_id = %s",
        job.pk,
    )


def test_triggers_that_are_gone_are_named() -> None:
    assert frozen.missing(connection) == []
    table = "jobs_reading"
    drop = "DROP TRIGGER jobs_reading_frozen_UPDATE"
    if connection.vendor == "postgresql":
        drop = f"ALTER TABLE {table} DISABLE TRIGGER {table}_frozen"
    with connection.cursor() as cursor:
        cursor.execute(drop)
    assert frozen.missing(connection) == [table]
    frozen.install(connection)
    assert frozen.missing(connection) == []
