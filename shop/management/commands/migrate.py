"""`manage.py migrate`: Django's own, which says in words why a database lets nobody in."""

from django.core.management.commands import migrate

from shop.management.ready import ReadyCommand


class Command(ReadyCommand, migrate.Command):
    uses_tables = False
