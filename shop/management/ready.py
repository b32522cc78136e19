"""Commands that ask for a database which answers and, where they use its tables, is up to date."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, InterfaceError, OperationalError, connection
from django.db.migrations.executor import MigrationExecutor

from shop.unreachable import unreachable


class ReadyCommand(BaseCommand):
    """A command that says in words what the database lacks, instead of failing inside."""

    uses_tables = True
    """Whether the command needs every table as this version knows it."""

    asks_database = True
    """Whether the command is for nothing without a database."""

    replaces_damaged = False
    """Whether the command puts another database in the place of one that cannot be read."""

    def execute(self, *args: Any, **options: Any) -> str | None:
        if not self.asks_database:
            return super().execute(*args, **options)
        try:
            executor = MigrationExecutor(connection)
            wanted = executor.loader.graph.leaf_nodes()
            behind = bool(executor.migration_plan(wanted))
        except (OperationalError, InterfaceError) as error:
            raise CommandError(unreachable(error, connection)) from error
        except DatabaseError as error:
            if self.replaces_damaged:
                return super().execute(*args, **options)
            raise CommandError(
                f"The database cannot be read: {error}. Restore the newest sound backup."
            ) from error
        if self.uses_tables and behind:
            raise CommandError(_behind(empty=not executor.loader.applied_migrations))
        return super().execute(*args, **options)


def _behind(*, empty: bool) -> str:
    state = "has no tables yet" if empty else "was last used by an older Loombook"
    return (
        f"The database {state}. Bring it up to date first: `.venv/bin/python manage.py migrate`, "
        "or `deploy/manage.sh migrate` where Loombook is a service. Then give this command again."
    )
