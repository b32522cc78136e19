"""Loads the demo shop, or prints its logins."""

import time
from typing import Any

from django.core.management.base import CommandError, CommandParser

from deploy.demo.loader import Loader
from deploy.demo.people import STAFF
from jobs.models import Job
from shop.management.ready import ReadyCommand
from shop.models import Customer, Product, StaffMember


def _anything() -> bool:
    """Whether somebody already works with this database."""
    return any(model.objects.exists() for model in (StaffMember, Customer, Product, Job))


class Command(ReadyCommand):
    help = "Load the invented demo shop into an empty database."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--if-empty", action="store_true", help="do nothing where there is data already"
        )
        parser.add_argument(
            "--print-logins",
            action="store_true",
            help="only print the demo logins that still work",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["print_logins"]:
            self._print_logins()
            return
        if _anything():
            if options["if_empty"]:
                return
            raise CommandError(
                "There is data here already, and the demo shop never goes over it. "
                "Point LOOMBOOK_DATA or DATABASE_URL at an empty place to see the demo."
            )
        began = time.monotonic()
        self.stdout.write("Loading the demo shop, once:")
        Loader(lambda text: self._say(text)).load()
        self.stdout.write(f"Demo shop loaded in {time.monotonic() - began:.0f} s.")

    def _say(self, text: str) -> None:
        self.stdout.write(f"  {text[:90]}")
        self.stdout.flush()

    def _print_logins(self) -> None:
        people = {staff.username: staff for staff in StaffMember.objects.filter(is_active=True)}
        rows = [
            one
            for one in STAFF
            if (staff := people.get(one.username))
            and staff.name == one.name
            and staff.check_password(one.password)
        ]
        if rows:
            self.stdout.write("Demo logins (change these passwords before real use):")
        for one in rows:
            pin = f", PIN {one.pin}" if one.pin and people[one.username].pin else ""
            self.stdout.write(f"  {one.username:8} {one.password:14} {one.name}, {one.roles}{pin}")
