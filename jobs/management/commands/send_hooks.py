"""`manage.py send_hooks`: send what waits, until stopped."""

import signal
from argparse import ArgumentParser
from threading import Event
from typing import Any

from django.db import InterfaceError, OperationalError, connection

from jobs.services.hooks import send_due
from shop.management.ready import ReadyCommand

PAUSE_S = 5.0


class Command(ReadyCommand):
    help = "Send what other programs are told, until stopped; any number may run at once."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="send what waits now, then end")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["once"]:
            self.stdout.write(f"{send_due()} taken.")
            return
        stop = Event()
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, lambda *_: stop.set())
        while not stop.wait(PAUSE_S):
            try:
                send_due()
            except (OperationalError, InterfaceError) as error:
                self.stderr.write(f"The database does not answer; tried again soon. ({error})")
            connection.close()  # Nobody who restores a backup has to wait for this process.
