"""`manage.py restore`: put a backup back."""

from argparse import ArgumentParser
from functools import partial
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import CommandError

from shop.backups import BackupError, restore_backup
from shop.management.ready import ReadyCommand
from shop.services import unfinished_restore


class Command(ReadyCommand):
    help = "Verify an archive made by `backup`, then put its database, uploads and keys in place."
    # Must work also when something else of the installation does not.
    requires_system_checks = []
    uses_tables = False
    replaces_damaged = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("archive", type=Path)
        parser.add_argument(
            "--replace", action="store_true", help="replace existing data, keeping it aside"
        )

        parser.add_argument(
            "--key",
            type=Path,
            metavar="FILE",
            help="the key it was signed with, kept apart from it",
        )
        parser.add_argument(
            "--identity",
            type=Path,
            metavar="FILE",
            help="the secret key that opens an encrypted archive",
        )
        parser.add_argument(
            "--unsigned", action="store_true", help="do not ask who made it: you know yourself"
        )
        parser.add_argument(
            "--keep-sign-ins",
            action="store_true",
            help="leave sign-ins, tokens of the API and news on its way as they were then",
        )
        parser.add_argument(
            "--as-on-that-day",
            action="store_true",
            help="take nothing over from the book that is replaced: sign-ins, roles, passwords, "
            "second factors, tablets and addresses that were ended or changed in it since",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        begun = unfinished_restore.begin(
            ends=not options["keep_sign_ins"],
            carries=options["replace"] and not options["as_on_that_day"],
        )
        try:
            restored = restore_backup(
                options["archive"],
                replace=options["replace"],
                key=options["key"],
                unsigned=options["unsigned"],
                identity=options["identity"],
                placing=partial(unfinished_restore.placing, begun),
            )
        except BackupError as error:
            raise CommandError(str(error)) from error
        manifest = restored.manifest
        self.stdout.write(f"Restored the backup of {manifest.made_at}, made by {manifest.version}.")
        if restored.set_aside:
            self.stdout.write(f"The data it replaced is kept in {restored.set_aside}")
        # Behind the tables it ends what came back (shop/services/unfinished_restore.py).
        call_command("migrate", interactive=False, verbosity=0, stdout=self.stdout)
        self.stdout.write(
            "Otherwise whoever may sign in, with which password, second factor and tablet, and "
            "which addresses are told, is as on that day: let a manager look through them under "
            "Shop."
        )
        self.stdout.write("Start Loombook again.")
