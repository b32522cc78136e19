"""The whole book from one kind of database into the other, row by row, and compared.

Every table of a model is copied with the keys and moments it has, in one transaction of the
target; then each row is read from both and compared. Files stay where they are.
"""

import os
import subprocess
import sys
from collections.abc import Generator
from contextlib import closing
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any, Final

from django.apps import apps
from django.conf import settings
from django.core.management.color import no_style
from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections, models, transaction

from shop import frozen
from shop.backups import BackupError, require_alone
from shop.project.databases import database_of
from shop.unreachable import refusal

TARGET: Final = "moved_to"
SQLITE: Final = "sqlite"
AT_ONCE: Final = 500


class MoveError(Exception):
    """A move that cannot be made; the message says why and what to do. The source is untouched."""


def move_to(where: str) -> dict[str, int]:
    """Copy everything into the empty database at `where`, a PostgreSQL URL or `sqlite`; gives how
    many rows of each table there are.

    MoveError when it is not empty, when anybody else uses the source, or when a row came out
    otherwise.
    """
    url = "" if where == SQLITE else where
    connections.settings[TARGET] = connections.configure_settings(
        {DEFAULT_DB_ALIAS: {}, TARGET: database_of(url, Path(settings.DATA_DIR))}
    )[TARGET]
    try:
        _require_another_kind()
        _require_empty()
        try:
            require_alone()
        except BackupError as error:
            raise MoveError(str(error).replace("restore again", "move again")) from error
        _make_tables(url)
        try:
            with transaction.atomic(using=TARGET):
                frozen.remove(connections[TARGET])
                copied = _copy()
                frozen.install(connections[TARGET])
        except DatabaseError as error:
            raise MoveError(f"{where} does not take a row: {error}. Nothing was moved.") from error
        _compare()
    finally:
        connections[TARGET].close()
        del connections[TARGET]
        del connections.settings[TARGET]
    return copied


def _require_another_kind() -> None:
    kinds = {connections[one].vendor for one in (DEFAULT_DB_ALIAS, TARGET)}
    if len(kinds) == 1:
        raise MoveError(
            f"Loombook uses {kinds.pop()} already: name the other kind, or use backup and restore."
        )


def _require_empty() -> None:
    try:
        there = connections[TARGET].introspection.table_names()
    except DatabaseError as error:
        told = refusal(str(error), "to move to")
        raise MoveError(told or f"The database to move to does not answer: {error}") from error
    if there:
        raise MoveError(
            f"The database to move to has tables already ({there[0]} among them): name an empty "
            "one, or move the SQLite file away."
        )


def _make_tables(url: str) -> None:
    environment = os.environ | {"DATABASE_URL": url}
    environment.pop("DATABASE_URL_FILE", None)
    command = [sys.executable, "manage.py", "migrate", "--noinput", "--verbosity", "0"]
    done = subprocess.run(
        command, cwd=settings.BASE_DIR, env=environment, capture_output=True, text=True
    )
    if done.returncode:
        raise MoveError(f"The tables could not be made: {done.stderr.strip()[-400:]}")


def _tables() -> list[type[models.Model]]:
    """Every model with a table of its own, those between two others included."""
    found = apps.get_models(include_auto_created=True)
    return [one for one in found if one._meta.managed and not one._meta.proxy]


def _rows(model: type[models.Model], alias: str) -> Generator[models.Model, None, None]:
    rows = model._base_manager.using(alias).order_by("pk")
    yield from rows.iterator(chunk_size=AT_ONCE)


def _copy() -> dict[str, int]:
    """Put every row as it is in the place of what migrations put there."""
    target = connections[TARGET]
    tables, copied = _tables(), {}
    for model in tables:
        model._base_manager.using(TARGET)._raw_delete(TARGET)
    for model in tables:
        label, fields = model._meta.label, list(model._meta.concrete_fields)
        copied[label] = 0
        rows: Any = model._base_manager.using(TARGET)
        source = _rows(model, DEFAULT_DB_ALIAS)
        while batch := list(islice(source, AT_ONCE)):
            most = max(1, target.ops.bulk_batch_size(fields, batch))
            for start in range(0, len(batch), most):
                # As it stands: not as a model would fill in the moment of its making.
                rows._insert(batch[start : start + most], fields=fields, using=TARGET, raw=True)
            copied[label] += len(batch)
    with target.cursor() as cursor:
        for line in target.ops.sequence_reset_sql(no_style(), tables):
            cursor.execute(line)
    return copied


def _compare() -> None:
    """Read every row of both and find the first that differs."""
    for model in _tables():
        names = [field.attname for field in model._meta.concrete_fields]
        with (
            closing(_rows(model, DEFAULT_DB_ALIAS)) as source,
            closing(_rows(model, TARGET)) as target,
        ):
            for here, there in zip_longest(source, target):
                _require_like(model, names, here, there)


def _require_like(model: type[models.Model], names: list[str], here: Any, there: Any) -> None:
    for name in names:
        if getattr(here, name, None) != getattr(there, name, None):
            raise MoveError(
                f"{model._meta.label} {getattr(here or there, 'pk', '')} came out with another "
                f"{name}: go on with the database you have, and tell us."
            )
