from typing import Any

from django.apps import AppConfig
from django.conf import settings
from django.core import checks
from django.db import connections
from django.db.migrations.executor import MigrationExecutor
from django.db.models.signals import post_migrate, pre_migrate
from django.forms import Field

from shop.project.databases import is_unproved


class ShopConfig(AppConfig):
    name = "shop"
    verbose_name = "Shop"

    def ready(self) -> None:
        # Before any form class is made: what every empty field that must be filled says.
        Field.default_error_messages["required"] = "Fill this in."
        checks.register(_database_is_known, checks.Tags.security, deploy=True)
        pre_migrate.connect(_open_tables, sender=self)
        post_migrate.connect(_freeze_tables, sender=self)


def _database_is_known(**_: Any) -> list[checks.CheckMessage]:
    """A database on another machine has to show who it is, and what goes there be encrypted."""
    if not is_unproved(settings.DATABASES["default"]):
        return []
    return [
        checks.Warning(
            "The database is on another machine, and its certificate is not looked at.",
            hint="Add ?sslmode=verify-full&sslrootcert=/path/of/its/authority.pem to "
            "DATABASE_URL; the certificate must carry the name that stands there.",
            id="loombook.W001",
        )
    ]


def is_migrated(using: str) -> bool:
    """Whether the database has every migration of this program."""
    executor = MigrationExecutor(connections[using])
    return not executor.migration_plan(executor.loader.graph.leaf_nodes())


def _open_tables(*, using: str, plan: list[Any], **_: Any) -> None:
    """Migrations rebuild tables, which triggers that name other tables do not allow on SQLite."""
    from shop import frozen, name_index

    if plan:
        frozen.remove(connections[using])
        name_index.remove(connections[using])


def _freeze_tables(*, using: str, plan: list[Any] | None = None, **_: Any) -> None:
    """After every `migrate` that leaves nothing to do the triggers are this program's, and what is
    looked up by is made anew where triggers were taken away.

    Without a plan it is no migration: the tables were emptied by `flush`.
    """
    from shop import frozen, name_index

    if plan is None or not is_migrated(using):
        return
    if frozen.missing(connections[using]):
        frozen.install(connections[using])
    if not name_index.is_current(connections[using]):
        name_index.install(connections[using])
