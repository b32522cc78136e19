"""`manage.py migrate`: Django's own, which says in words why a database lets nobody in, and goes on
with a restore that was cut off."""

from typing import Any

from django.core.management.commands import migrate

from shop.management.ready import ReadyCommand
from shop.services import unfinished_restore


class Command(ReadyCommand, migrate.Command):
    uses_tables = False

    def handle(self, *args: Any, **options: Any) -> None:
        if options["app_label"] or options["plan"] or options["check_unapplied"]:
            super().handle(*args, **options)
            return
        unfinished_restore.require_placed()
        super().handle(*args, **options)
        for sentence in unfinished_restore.finish():
            self.stdout.write(sentence)
