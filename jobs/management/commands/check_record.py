"""`manage.py check_record`: is everything that was signed still what was signed?"""

from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.core.management.base import CommandError

from jobs import signing
from jobs.models import InstallSheet, Job
from jobs.record_key import KeyLost, key, key_path
from jobs.services import record
from jobs.sheet import record_check
from shop.management.ready import ReadyCommand
from shop.models import Shop


class Command(ReadyCommand):
    help = (
        "Check every job's log, signed sheet, receipt, check-in, row and photo against the keyed "
        "record, and name what is wrong. Ends with an error when anything is."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--seal-anew",
            action="store_true",
            help="only after a key was lost for good: make new keys and seal everything as it "
            "stands; the record says from when on it is sealed",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["seal_anew"]:
            self._seal_anew()
        try:
            problems = list(record_check.check_book())
        except KeyLost as lost:
            raise CommandError(str(lost)) from lost
        except OSError as error:
            raise CommandError(f"The check was not finished: {error}") from error
        for problem in problems:
            self.stdout.write(problem)
        jobs, sheets = Job.objects.count(), InstallSheet.objects.count()
        if problems:
            raise CommandError(
                f"{len(problems)} things of the record are not as they were signed or written. "
                "Keep this database and the newest sound backup, and compare them before you "
                "rely on what is named above."
            )
        self.stdout.write(f"The record holds: {jobs} jobs, {sheets} signed sheets.")

    def _seal_anew(self) -> None:
        lost = [
            path
            for path, read in ((key_path(), key), (signing.key_path(), signing.key_here))
            if not _reads(read)
        ]
        if not lost:
            raise CommandError("Both keys are here, so nothing needs to be sealed anew.")
        now = datetime.now().isoformat(timespec="seconds").replace(":", "")
        for path in lost:
            if path.exists():
                path.rename(path.with_name(f"{path.name}.damaged-{now}"))
        if key_path() not in lost:
            key_path().rename(key_path().with_name(f"{key_path().name}.replaced-{now}"))
        certificate = ""
        if signing.key_path() in lost:
            made = signing.new_shop_key(Shop.objects.current().name)
            certificate = made.certificate.sha256.hex()
        count = record.seal_anew(new_certificate=certificate)
        self.stdout.write(f"{count} jobs are sealed from now on; before now nothing is proved.")


def _reads(read: Any) -> bool:
    try:
        read()
    except KeyLost:
        return False
    return True
