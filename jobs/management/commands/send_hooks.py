"""`manage.py send_hooks`: tell other programs what waits, until stopped."""

from jobs.services import hooks
from shop.management.sending import SendingCommand


class Command(SendingCommand):
    help = "Send what other programs are told, until stopped; any number may run at once."
    done = "taken"

    def send_due(self) -> int:
        return hooks.send_due()
