"""What the database itself refuses to change: triggers, made from what each table refuses.

The shop's own log is append-only; `jobs.frozen` adds the tables of jobs. Whoever guards tables
registers them here as it is imported, with `guard`.

`migrate` takes the triggers away before it changes a table and puts them back afterwards (see
`shop.apps`): SQLite rebuilds a table to change it, and other tables' triggers would stand in the
way. A raw connection to SQLite has neither `recursive_triggers` nor the program's checks, so what
REPLACE would push out is looked for before each insert and update of a key.
"""

from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Any, Final, NamedTuple

from django.apps import apps
from django.db import models, transaction

Refusals = dict[str, tuple[str, str]]
"""When an INSERT, UPDATE or DELETE is refused, in SQL, and with what message."""

APPEND_ONLY: Final = frozenset({"shop.ShopEvent"})
"""Rows of these are added, and then never changed or deleted."""

MESSAGE: Final = "Signed and logged rows cannot be changed: make a new revision."

_guarded: dict[str, Callable[[str, str], Refusals]] = {}


def guard(labels: Iterable[str], refusals: Callable[[str, str], Refusals]) -> None:
    """Have triggers on these tables; `refusals` gives those of a table, for a vendor."""
    _guarded.update(dict.fromkeys(labels, refusals))
    triggers.cache_clear()


def model_of(label: str) -> type[models.Model]:
    """The model of a label, those that Django makes for many-to-many fields included."""
    app, name = label.split(".")
    return apps.get_app_config(app).get_model(name)


def _keys(model: type[models.Model]) -> list[list[str]]:
    """The columns of each key that only one row may have.

    Those with a condition are left out: no row of a closed job meets the condition of one that
    reaches over jobs (a running clock), and within a job every new row is refused as it is.
    """
    meta = model._meta
    column = {field.name: str(field.column) for field in meta.concrete_fields}
    keys = [[field.name] for field in meta.concrete_fields if field.unique]
    keys += [list(names) for names in meta.unique_together]
    keys += [
        list(one.fields)
        for one in meta.constraints
        if isinstance(one, models.UniqueConstraint) and one.condition is None
    ]
    return [[column[name] for name in key] for key in keys]


def pushed_out(model: type[models.Model], *, but_old: bool, closed: str) -> str:
    """SQL: a closed row stands where NEW would go, and REPLACE would delete it unasked."""
    same = " OR ".join(
        "(" + " AND ".join(f'kept."{column}" = NEW."{column}"' for column in key) + ")"
        for key in _keys(model)
    )
    other = "kept.id <> OLD.id AND " if but_old else ""
    return (
        f"EXISTS (SELECT 1 FROM {model._meta.db_table} kept WHERE {other}({same}) AND ({closed}))"
    )


def append_only(label: str, vendor: str) -> Refusals:
    """Every change and deletion is refused, and an insert that would put a row out."""
    refusals = {"UPDATE": ("1 = 1", MESSAGE), "DELETE": ("1 = 1", MESSAGE)}
    if vendor == "sqlite":
        out = pushed_out(model_of(label), but_old=False, closed="1 = 1")
        refusals["INSERT"] = (out, MESSAGE)
    return refusals


class Trigger(NamedTuple):
    """One trigger: its table, the statements that make it, its text as the database keeps it."""

    name: str
    table: str
    statements: tuple[str, ...]
    text: str


def _sqlite(label: str) -> Iterator[Trigger]:
    table = model_of(label)._meta.db_table
    for verb, (when, message) in _guarded[label](label, "sqlite").items():
        name = f"{table}_frozen_{verb}"
        sql = (
            f"CREATE TRIGGER {name} BEFORE {verb} ON {table} WHEN {when} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
        )
        yield Trigger(name, table, (sql,), sql)


def _postgresql(label: str) -> Iterator[Trigger]:
    table = model_of(label)._meta.db_table
    refusals = _guarded[label](label, "postgresql")
    branches = "".join(
        f"IF TG_OP = '{verb}' THEN IF {when} THEN {_refuse(message)} END IF; END IF; "
        for verb, (when, message) in refusals.items()
    )
    of_row = f"BEGIN {branches}IF TG_OP = 'DELETE' THEN RETURN OLD; END IF; RETURN NEW; END"
    of_table = f"BEGIN {_refuse(MESSAGE)} END"
    for end, events, each, body in (
        ("", " OR ".join(refusals), "ROW", of_row),
        ("_all", "TRUNCATE", "STATEMENT", of_table),
    ):
        name = f"{table}_frozen{end}"
        yield Trigger(
            name,
            table,
            (
                f"CREATE OR REPLACE FUNCTION loombook_{name}() RETURNS trigger AS "
                f"$${body}$$ LANGUAGE plpgsql",
                f"CREATE TRIGGER {name} BEFORE {events} ON {table} "
                f"FOR EACH {each} EXECUTE FUNCTION loombook_{name}()",
            ),
            body,
        )


def _refuse(message: str) -> str:
    return f"RAISE EXCEPTION '{message}' USING ERRCODE = 'integrity_constraint_violation';"


@cache
def triggers(vendor: str) -> tuple[Trigger, ...]:
    """Every trigger that a database of this vendor must have."""
    make = _sqlite if vendor == "sqlite" else _postgresql
    return tuple(one for label in sorted(_guarded) for one in make(label))


def _standing(connection: Any) -> dict[str, tuple[str, str, bool]]:
    """The triggers of this module in the database: table, text, and whether it is switched on."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(
                "SELECT name, tbl_name, sql, 1 FROM sqlite_master "
                "WHERE type = 'trigger' AND name LIKE '%_frozen%'"
            )
        else:
            cursor.execute(
                "SELECT t.tgname, c.relname, p.prosrc, t.tgenabled IN ('O', 'A') "
                "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
                "JOIN pg_proc p ON p.oid = t.tgfoid "
                "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace "
                "AND t.tgname LIKE '%_frozen%'"
            )
        return {name: (table, text, bool(on)) for name, table, text, on in cursor.fetchall()}


def missing(connection: Any) -> list[str]:
    """Tables with a trigger gone, switched off, or not the one that this program makes."""
    standing = _standing(connection)
    return sorted(
        {
            one.table
            for one in triggers(connection.vendor)
            if standing.get(one.name) != (one.table, one.text, True)
        }
    )


def install(connection: Any) -> None:
    """Create every trigger, in the place of those that stand."""
    with transaction.atomic(using=connection.alias):
        remove(connection)
        with connection.cursor() as cursor:
            for one in triggers(connection.vendor):
                for statement in one.statements:
                    cursor.execute(statement)


def remove(connection: Any) -> None:
    """Drop every trigger: before a migration, and for tests that empty the tables."""
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        for name, (table, _, _) in _standing(connection).items():
            on = "" if connection.vendor == "sqlite" else f" ON {table}"
            cursor.execute(f"DROP TRIGGER {name}{on}")


guard(APPEND_ONLY, append_only)
