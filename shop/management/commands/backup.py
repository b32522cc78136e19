"""`manage.py backup`: the whole shop in one archive."""

import sqlite3
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError

from shop.backups import ARCHIVES, BackupError, default_folder, key_path, write_backup
from shop.management.ready import ReadyCommand
from shop.sealed_archives import SealError, copy_elsewhere, recipients
from shop.services import unfinished_restore


class Command(ReadyCommand):
    help = "Write database, uploads and keys into one archive; the shop may go on working."
    # Must work also when something else of the installation does not.
    requires_system_checks = []
    uses_tables = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--to", type=Path, metavar="FOLDER", help="default: data/backups")
        parser.add_argument(
            "--keep", type=int, metavar="N", help="afterwards keep the N newest archives there"
        )
        parser.add_argument(
            "--check-record",
            action="store_true",
            help="then check the record and the shop's log; where one does not hold, fail and keep "
            "every archive",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        folder = options["to"] or default_folder()
        keep = options["keep"]
        unfinished_restore.require_finished()
        if keep is not None and keep < 1:
            raise CommandError("--keep needs at least 1: the archive just made.")
        try:
            archive = write_backup(folder)
        except BackupError as error:
            raise CommandError(str(error)) from error
        except (OSError, sqlite3.OperationalError) as error:
            raise CommandError(
                f"The backup could not be written into {folder}: {error}. Nothing of it was kept. "
                "Make room there, or name another folder with --to, then give this command again."
            ) from error
        self.stdout.write(f"Backup written and read through: {archive}")
        folders = [folder]
        if settings.BACKUP_COPY:
            folders.append(Path(settings.BACKUP_COPY))
            try:
                self.stdout.write(f"Copied to {copy_elsewhere(archive, folders[1])}")
            except SealError as error:
                raise CommandError(str(error)) from error
        if options["check_record"]:
            # Before old archives go: they may be the last ones from before the damage.
            self._check("check_record", "check_log")
        if keep is not None:
            for place in folders:
                _prune(place, archive.name, keep)
        if recipients():
            self.stdout.write(
                "It is encrypted: without the identity of LOOMBOOK_BACKUP_FOR nobody opens it."
            )
        else:
            self.stdout.write("It holds customers' data and the shop's keys, readable by anybody.")
        if not settings.BACKUP_COPY:
            self.stdout.write("Keep a copy elsewhere: LOOMBOOK_BACKUP_COPY names a folder for it.")
        self.stdout.write(
            f"It is signed with {key_path()}, which is in no archive: keep a copy of that apart."
        )

    def _check(self, *commands: str) -> None:
        """Run every check, and fail behind the last if any did."""
        failed = []
        for command in commands:
            try:
                call_command(command, stdout=self.stdout)
            except CommandError as error:
                failed.append(str(error))
        if failed:
            raise CommandError(" ".join(failed))


def _prune(folder: Path, just_made: str, keep: int) -> None:
    """Keep so many archives, the one just made among them: where the clock went wrong its name may
    be older than those of all others."""
    others = [one for one in sorted(folder.glob(ARCHIVES)) if one.name != just_made]
    for old in others[: max(0, len(others) - (keep - 1))]:
        old.unlink()
