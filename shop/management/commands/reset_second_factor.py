"""`manage.py reset_second_factor NAME`: for somebody who can show none, and no other manager to
ask."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from shop.management.ready import ReadyCommand
from shop.models import StaffMember
from shop.services import second_factor


class Command(ReadyCommand):
    help = "Take away the second factor of somebody who can no longer show it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="the sign-in name")

    def handle(self, *args: Any, **options: Any) -> None:
        person = StaffMember.objects.filter(username=options["username"]).first()
        if person is None:
            raise CommandError(f"Nobody signs in as {options['username']}.")
        second_factor.reset(person, None)
        self.stdout.write(
            f"{person} signs in with the password alone now, is signed out everywhere and is told "
            "at the next sign-in. Where the shop asks for a second factor, a new one is set up "
            "then."
        )
