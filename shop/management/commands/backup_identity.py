"""`manage.py backup_identity`: a key pair for encrypted backups."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from shop.management.ready import ReadyCommand
from shop.sealed_archives import SealError, new_identity


class Command(ReadyCommand):
    help = "Make the secret key that opens encrypted backups, and say for whom to encrypt them."
    requires_system_checks = []
    asks_database = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="a new file, best on a stick of its own")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            recipient = new_identity(options["file"])
        except SealError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"LOOMBOOK_BACKUP_FOR={recipient}")
        self.stdout.write(
            f"Put this line into the settings, and {options['file']} on two sticks off this "
            "machine: who loses it opens no backup any more."
        )
