"""Commands that ask for a database which answers and, where they use its tables, is up to date."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, InterfaceError, OperationalError, connection
from django.db.migrations.executor import MigrationExecutor


class ReadyCommand(BaseCommand):
    """A command that says in words what the database lacks, instead of failing inside."""

    uses_tables = True
    """Whether the command needs every table as this version knows it."""

    replaces_damaged = False
    """Whether the command puts another database in the place of one that cannot be read."""

    def execute(self, *args: Any, **options: Any) -> str | None:
        try:
            executor = MigrationExecutor(connection)
            wanted = executor.loader.graph.leaf_nodes()
            behind = bool(executor.migration_plan(wanted))
        except (OperationalError, InterfaceError) as error:
            raise CommandError(_unreachable(error)) from error
        except DatabaseError as error:
            if self.replaces_damaged:
                return super().execute(*args, **options)
            raise CommandError(
                f"The database cannot be read: {error}. Restore the newest sound backup."
            ) from error
        if self.uses_tables and behind:
            raise CommandError(_behind(empty=not executor.loader.applied_migrations))
        return super().execute(*args, **options)


UNPROVED = {
    "does not match host name": "write the name that stands in its certificate, or give the server "
    "a certificate with the name that is written there",
    "certificate verify failed": "let sslrootcert name the certificate of the authority "
    "that signed it",
    "root certificate file": "put the file of the authority's certificate where sslrootcert says, "
    "readable for Loombook",
    "does not support SSL": "let it speak TLS (ssl = on, with a certificate of its own)",
    "no encryption": "it takes nobody without TLS: add "
    "?sslmode=verify-full&sslrootcert=/path/of/its/authority.pem",
}
"""What libpq says where a server was turned away, or turned us away, for its TLS; what mends it."""


def _unreachable(error: Exception) -> str:
    if connection.vendor == "sqlite":
        where, mend = connection.settings_dict["NAME"], "see that the folder exists and is yours"
    else:
        where, mend = "named in DATABASE_URL", "see that it runs and that the name is right"
        # What follows the first line is the library's advice, which may be to look away.
        said = str(error).splitlines()[0]
        for words, advice in UNPROVED.items():
            if words in said:
                return f"The database {where} is not the one asked for: {advice}. ({said})"
    return f"The database {where} does not answer: {mend}, then try again. ({error})"


def _behind(*, empty: bool) -> str:
    state = "has no tables yet" if empty else "was last used by an older Loombook"
    return (
        f"The database {state}. Bring it up to date first: `.venv/bin/python manage.py migrate`, "
        "or `deploy/manage.sh migrate` where Loombook is a service. Then give this command again."
    )
