"""`manage.py send_mail`: send what waits, until stopped."""

from jobs.sheet import mail
from shop.management.sending import SendingCommand


class Command(SendingCommand):
    help = "Send mail to customers as it is asked for, until stopped; any number may run at once."

    def send_due(self) -> int:
        return mail.send_due()
