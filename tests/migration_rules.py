"""What a migration may do to a book that is in use, and to a program of the version before it.

The rules stand in docs/migrations.md. A migration that has to do otherwise says why, in an
attribute of its class: `against_the_rules = "the table has one row"`.
"""

from collections.abc import Callable, Iterator

from django.db import connection, models
from django.db.migrations import Migration, operations as ops
from django.db.migrations.state import ProjectState

from shop.beside import AddIndexBeside

MARK = "against_the_rules"
TAKES_AWAY = (ops.RemoveField, ops.DeleteModel, ops.RenameField, ops.RenameModel)
STOPS = (ops.AddIndex, ops.AddConstraint, ops.AlterUniqueTogether)
DATA = (ops.RunPython, ops.RunSQL)


def breaches(migration: Migration, before: Callable[[], ProjectState]) -> Iterator[str]:
    """What a migration does that it may not; `before` gives the tables as it finds them."""
    if getattr(migration, MARK, ""):
        return
    made = {one.name_lower for one in migration.operations if isinstance(one, ops.CreateModel)}
    data = [one for one in migration.operations if isinstance(one, DATA)]
    if data and len(data) < len(migration.operations):
        yield "changes rows and tables at once: two migrations, or its locks last until both end"
    for one in migration.operations:
        model = getattr(one, "model_name_lower", getattr(one, "name_lower", ""))
        if model in made:
            continue
        if isinstance(one, TAKES_AWAY):
            yield f"{one.describe()}: the version before still asks for it; a later version may"
        elif isinstance(one, ops.AddField):
            yield from _added(one)
        elif isinstance(one, ops.AlterField):
            old = before().models[migration.app_label, model].fields[one.name_lower]
            yield from _altered(one, old)
        elif isinstance(one, STOPS) and not isinstance(one, AddIndexBeside):
            yield f"{one.describe()}: stops who writes; use AddIndexBeside, or say why it may"


def _added(one: ops.AddField) -> Iterator[str]:
    field = one.field
    if field.many_to_many:
        return
    if not field.null and not field.has_db_default():
        yield f"{one.describe()}: the version before writes rows without it: null or db_default"
    if field.unique or (field.db_index and not field.is_relation):
        yield f"{one.describe()}: its index stops who writes; AddIndexBeside in another migration"


def _altered(one: ops.AlterField, old: "models.Field[object, object]") -> Iterator[str]:
    new = one.field
    if old.null and not new.null:
        yield f"{one.describe()}: the version before still writes nothing there"
    if old.is_relation and new.is_relation:
        return  # Its column is of the kind of the key that it names.
    kinds = [field.db_type(connection) for field in (old, new)]
    shorter = (new.max_length or 0) < (old.max_length or 0) if old.max_length else False
    grown = type(old) is type(new) and not shorter and old.max_length
    if kinds[0] != kinds[1] and not grown:
        yield f"{one.describe()}: {kinds[0]} to {kinds[1]} writes the whole table anew"
