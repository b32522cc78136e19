"""Signed rows and the event log cannot be changed: the database itself refuses.

`install` and `remove` are called by migrations; a migration that alters one of these tables on
SQLite rebuilds the table and must call `install` again.
"""

from typing import Any

TABLES = ("jobs_installsheet", "jobs_sheetreceipt", "jobs_jobevent")
SETUP_TABLES = ("jobs_setupversion", "jobs_setupevent")
MESSAGE = "Signed and logged rows cannot be changed: make a new revision."


def _statements(vendor: str, table: str) -> list[str]:
    if vendor == "sqlite":
        return [
            f"CREATE TRIGGER IF NOT EXISTS {table}_frozen_{verb} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
            for verb in ("UPDATE", "DELETE")
        ]
    return [
        f"CREATE OR REPLACE TRIGGER {table}_frozen BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION loombook_refuse_change()",
        f"CREATE OR REPLACE TRIGGER {table}_frozen_all BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION loombook_refuse_change()",
    ]


def install(connection: Any, tables: tuple[str, ...] = TABLES) -> None:
    """Create the triggers, for SQLite or PostgreSQL."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION loombook_refuse_change() RETURNS trigger AS $$ "
                f"BEGIN RAISE EXCEPTION '{MESSAGE}' "
                "USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql"
            )
        for table in tables:
            for statement in _statements(connection.vendor, table):
                cursor.execute(statement)


def remove(connection: Any, tables: tuple[str, ...] = TABLES) -> None:
    """Drop the triggers: for a migration run backwards, and for tests that empty the tables."""
    with connection.cursor() as cursor:
        for table in tables:
            if connection.vendor == "sqlite":
                for verb in ("UPDATE", "DELETE"):
                    cursor.execute(f"DROP TRIGGER IF EXISTS {table}_frozen_{verb}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_frozen ON {table}")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_frozen_all ON {table}")
