from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.migrations.executor import MigrationExecutor
from django.db.models.signals import post_migrate, pre_migrate


class JobsConfig(AppConfig):
    name = "jobs"
    verbose_name = "Jobs"

    def ready(self) -> None:
        from jobs.sheet import revision  # noqa: F401 -- adds what moves need of the signed sheet

        pre_migrate.connect(_open_tables, sender=self)
        post_migrate.connect(_freeze_tables, sender=self)


def _open_tables(*, using: str, plan: list[Any], **_: Any) -> None:
    """Migrations rebuild tables, which triggers that name other tables do not allow on SQLite."""
    from jobs import frozen

    if plan:
        frozen.remove(connections[using])


def _freeze_tables(*, using: str, plan: list[Any] | None = None, **_: Any) -> None:
    """After every `migrate` that leaves nothing to do the triggers are this program's.

    A record from before there was a key is sealed as it stands, and the seals say so.
    """
    from jobs import frozen
    from jobs.services import record

    if plan is None:  # Not a migration: the tables were emptied by `flush`.
        return
    connection = connections[using]
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return
    if frozen.missing(connection):
        frozen.install(connection)
    if record.is_unkeyed():
        record.seal_anew()
