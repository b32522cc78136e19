"""Commands that send what waits in a table, until they are stopped."""

import signal
from argparse import ArgumentParser
from threading import Event
from typing import Any

from django.db import InterfaceError, OperationalError, connection

from shop.management.ready import ReadyCommand
from shop.unreachable import unreachable

PAUSE_S = 5.0


class SendingCommand(ReadyCommand):
    """Asks `send_due` every few seconds, or once; any number of processes may run."""

    done = "sent"
    """What has become of those that `send_due` counts."""

    def send_due(self) -> int:
        """Send what waits; how many there were."""
        raise NotImplementedError

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="send what waits now, then end")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["once"]:
            self.stdout.write(f"{self.send_due()} {self.done}.")
            return
        stop = Event()
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, lambda *_: stop.set())
        while not stop.wait(PAUSE_S):
            try:
                self.send_due()
            except (OperationalError, InterfaceError) as error:
                self.stderr.write(f"Tried again soon. {unreachable(error, connection)}")
            connection.close()  # Nobody who restores a backup has to wait for this process.
