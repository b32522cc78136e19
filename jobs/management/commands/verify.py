"""`manage.py verify FILE …`: is this PDF a sheet of ours, unchanged, and the newest?"""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from jobs.record_key import KeyLost
from jobs.sheet.verify import verify
from shop.management.ready import ReadyCommand


class Command(ReadyCommand):
    help = (
        "Compare PDFs with the signed sheets of this book, as the public page does. Ends with an "
        "error unless each is ours, unchanged and the newest."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", type=Path, metavar="FILE")

    def handle(self, *args: Any, **options: Any) -> None:
        files: list[Path] = options["files"]
        not_holding = 0
        for path in files:
            try:
                answer = verify(path.read_bytes())
            except OSError as error:
                raise CommandError(f"{path} cannot be read: {error.strerror}.") from error
            except KeyLost as lost:
                raise CommandError(str(lost)) from lost
            not_holding += not answer.holds
            self.stdout.write(f"{path}: {answer.said}")
        if not_holding:
            raise CommandError(f"{not_holding} of {len(files)} cannot be relied on as the newest.")
