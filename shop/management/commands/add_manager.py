"""`manage.py add_manager`: the first account of a new shop, or one when no manager can sign in."""

import sys
from argparse import ArgumentParser
from getpass import getpass
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import CommandError

from shop.management.ready import ReadyCommand
from shop.models import StaffMember
from shop.services import events


class Command(ReadyCommand):
    help = "Make an account with the manager's role, who can make all others in the browser."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", nargs="?", help="sign-in name; asked for when left out")
        parser.add_argument("name", nargs="?", help="full name, in quotes; asked for likewise")
        parser.add_argument(
            "--password-stdin", action="store_true", help="read the password from standard input"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        from_stdin = options["password_stdin"]
        if from_stdin and not (options["username"] and options["name"]):
            raise CommandError("With --password-stdin give the sign-in name and the full name too.")
        staff = StaffMember(
            username=options["username"] or input("Sign-in name: ").strip(),
            name=options["name"] or input("Full name: ").strip(),
            is_manager=True,
            whole_business=True,
        )
        password = sys.stdin.readline().rstrip("\r\n") if from_stdin else getpass("Password: ")
        if not from_stdin and getpass("Password again: ") != password:
            raise CommandError("The two passwords differ: run the command again.")
        try:
            validate_password(password, staff)
            staff.set_password(password)
            staff.full_clean()
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        events.save(staff, None, after={"password": events.SET})
        self.stdout.write(f"{staff.name} can now sign in as {staff.username}.")
