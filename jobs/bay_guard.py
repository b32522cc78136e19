"""The database itself gives no bay to two jobs for the same time.

PostgreSQL has an exclusion constraint for it; SQLite has triggers that refuse the same rows. That
only one job is in a bay at once is a constraint of the model. `install` and `remove` are called by
migrations; a migration that alters jobs_job on SQLite rebuilds the table and must call `install`
again.
"""

from typing import Any, Final

from django.db import IntegrityError

from jobs.lifecycle import HOLDS_A_BAY

SLOT: Final = "job_slot_once_a_bay"
IN_BAY: Final = "job_one_in_a_bay"

_HOLDING: Final = ", ".join(f"'{stage.value}'" for stage in sorted(HOLDS_A_BAY))
# A range of one bay's key stands for "the same bay": so no extension is needed.
_EXCLUSION: Final = (
    f"ALTER TABLE jobs_job ADD CONSTRAINT {SLOT} EXCLUDE USING gist ("
    "int8range(bay_id, bay_id, '[]') WITH &&, tstzrange(starts_at, ends_at) WITH &&"
    f") WHERE (stage IN ({_HOLDING}))"
)
_EVENTS: Final = {
    "insert": "AFTER INSERT",
    "update": "AFTER UPDATE OF bay_id, starts_at, ends_at, stage",
}


def _trigger(name: str, event: str) -> str:
    return (
        f"CREATE TRIGGER {SLOT}_{name} {event} ON jobs_job "
        f"WHEN NEW.stage IN ({_HOLDING}) AND EXISTS (SELECT 1 FROM jobs_job AS other "
        f"WHERE other.bay_id = NEW.bay_id AND other.stage IN ({_HOLDING}) "
        "AND other.starts_at < NEW.ends_at AND other.ends_at > NEW.starts_at "
        f"AND other.id <> NEW.id) BEGIN SELECT RAISE(ABORT, '{SLOT}'); END"
    )


def install(connection: Any) -> None:
    """Put the guard up, in place of an earlier one."""
    remove(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_EXCLUSION)
        else:
            for name, event in _EVENTS.items():
                cursor.execute(_trigger(name, event))


def remove(connection: Any) -> None:
    """Take the guard away: for a migration run backwards, and for tests of what it keeps out."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"ALTER TABLE jobs_job DROP CONSTRAINT IF EXISTS {SLOT}")
        else:
            for name in _EVENTS:
                cursor.execute(f"DROP TRIGGER IF EXISTS {SLOT}_{name}")


def broken_rule(error: IntegrityError) -> str:
    """Which rule about bays a write broke: SLOT, IN_BAY, or none of them."""
    diagnosis = getattr(error.__cause__, "diag", None)
    name = (getattr(diagnosis, "constraint_name", None) if diagnosis else None) or str(error)
    if SLOT in name:
        return SLOT
    # SQLite names the column of a broken unique index, not the index.
    return IN_BAY if name in {IN_BAY, "UNIQUE constraint failed: jobs_job.bay_id"} else ""
