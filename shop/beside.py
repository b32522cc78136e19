"""Changes of tables that are made beside the work (docs/migrations.md)."""

from typing import Any

from django.db import NotSupportedError
from django.db.migrations.operations import AddIndex


class AddIndexBeside(AddIndex):
    """An index on a table that is in use: PostgreSQL makes it without holding up who writes.

    Its migration says `atomic = False` and does nothing else, so that it can be run again when it
    was cut off; what a cut left half made is then made anew.
    """

    atomic = False

    def database_forwards(
        self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            super().database_forwards(app_label, schema_editor, from_state, to_state)
            return
        if schema_editor.connection.in_atomic_block:
            raise NotSupportedError("A migration with AddIndexBeside says atomic = False.")
        model = to_state.apps.get_model(app_label, self.model_name)
        name = schema_editor.quote_name(self.index.name)
        schema_editor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {name}")
        schema_editor.add_index(model, self.index, concurrently=True)

    def describe(self) -> str:
        return f"Beside the work: {super().describe()}"
