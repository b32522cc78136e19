"""`manage.py add_manager`: the first account of a new shop, or one when no manager can sign in."""

from argparse import ArgumentParser
from getpass import getpass
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from shop.models import StaffMember


class Command(BaseCommand):
    help = "Make an account with the manager's role, who can make all others in the browser."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="sign-in name")
        parser.add_argument("name", help="full name, in quotes")

    def handle(self, *args: Any, **options: Any) -> None:
        staff = StaffMember(username=options["username"], name=options["name"], is_manager=True)
        password = getpass("Password: ")
        if getpass("Password again: ") != password:
            raise CommandError("The two passwords differ: run the command again.")
        try:
            validate_password(password, staff)
            staff.set_password(password)
            staff.full_clean()
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        staff.save()
        self.stdout.write(f"{staff.name} can now sign in as {staff.username}.")
