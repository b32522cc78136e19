"""`manage.py exchange_signing_key`: sign sheets with another key from now on."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from jobs import signing
from jobs.errors import Refused
from shop.management.ready import ReadyCommand
from shop.models import Shop


class Command(ReadyCommand):
    help = (
        "Sign sheets with another key from now on. What was signed before still holds. Given again "
        "after it was cut off, it goes on from there."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--others-have-it",
            action="store_true",
            help="somebody else may have the former key: papers signed with it are called ours "
            "only where the book has them byte for byte",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            made = signing.exchange(
                Shop.objects.current().name, distrusts=options["others_have_it"]
            )
        except Refused as refused:
            raise CommandError(str(refused)) from refused
        fingerprint = made.certificate.sha256.hex(" ").upper()
        self.stdout.write(
            f"Sheets are signed with another key from now on: {signing.key_path()}.\n"
            "Copy it to every other machine that serves this book, make a backup, and tell whoever "
            f"compares it the new fingerprint (SHA-256):\n{fingerprint}"
        )
