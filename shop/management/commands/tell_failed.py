"""`manage.py tell_failed UNIT`: a mail to whoever looks after the machine, with what it said."""

import subprocess
from argparse import ArgumentParser
from smtplib import SMTPException
from socket import gethostname
from typing import Any, Final

from django.conf import settings
from django.core.mail import send_mail
from django.core.management.base import CommandError

from shop.management.ready import ReadyCommand

LINES: Final = 30


class Command(ReadyCommand):
    help = "Tell LOOMBOOK_TELL by mail that a unit failed; loombook-failed@.service starts it."
    requires_system_checks = []
    # A database that is away may be why the unit failed.
    asks_database = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("unit", help="as systemd calls it, as in loombook-backup.service")

    def handle(self, *args: Any, **options: Any) -> None:
        unit = options["unit"]
        if not settings.TELL or not settings.MAIL_SERVER:
            raise CommandError(
                f"{unit} failed and nobody was told: LOOMBOOK_TELL names whom, and LOOMBOOK_MAIL "
                "the mail server."
            )
        text = (
            f"{unit} failed on {gethostname()}. What it said last:\n\n{_said(unit)}\n\n"
            f"More of it: journalctl -u {unit}\nOnce more by hand: systemctl start {unit}\n"
        )
        try:
            send_mail(f"Loombook: {unit} failed", text, None, settings.TELL)
        except (OSError, SMTPException) as error:
            raise CommandError(f"{unit} failed and nobody could be told: {error}") from error
        self.stdout.write(f"Told {', '.join(settings.TELL)} that {unit} failed.")


def _said(unit: str) -> str:
    asked = ["journalctl", f"--unit={unit}", f"--lines={LINES}", "--no-pager", "--output=cat"]
    try:
        done = subprocess.run(asked, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return "(the journal could not be read)"
    return done.stdout.strip()
