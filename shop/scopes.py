"""What a token of the API may be allowed, and which roles its owner needs for it.

A token never may more than the person it answers for: the role is looked at with every request.
"""

from collections.abc import Iterable
from typing import Final

from django.db import models
from django.utils.translation import gettext_noop as kept

from shop.roles import ALL_ROLES, DESK, Role


class Scope(models.TextChoices):
    """One thing a neighbouring program may do."""

    JOBS_READ = "jobs:read", kept("Read jobs, without customers")
    JOBS_BOOK = "jobs:book", kept("Book jobs")
    CUSTOMERS_READ = "customers:read", kept("Read who the customer is, plate, VIN and wishes")
    PLANS_READ = "plans:read", kept("Read plans and their findings")
    PLANS_CHECK = "plans:check", kept("Have plans checked that are in no job")
    SETUPS_READ = "setups:read", kept("Read saved setups")
    SHEETS_READ = "sheets:read", kept("Read which sheets are signed; with customers, the sheets")
    CATALOGUE_READ = "catalogue:read", kept("Read the catalogue, without costs")
    CATALOGUE_WRITE = "catalogue:write", kept("Bring products into the catalogue")


NEEDS: Final[dict[str, frozenset[Role]]] = {
    Scope.JOBS_READ: ALL_ROLES,
    Scope.JOBS_BOOK: DESK,
    Scope.CUSTOMERS_READ: DESK,
    Scope.PLANS_READ: ALL_ROLES,
    Scope.PLANS_CHECK: ALL_ROLES,
    Scope.SETUPS_READ: frozenset({Role.MANAGER}),
    Scope.SHEETS_READ: ALL_ROLES,
    Scope.CATALOGUE_READ: ALL_ROLES,
    Scope.CATALOGUE_WRITE: frozenset({Role.MANAGER}),
}
"""The roles of which the owner of a token must hold one for the scope to count."""


def labels_of(scopes: Iterable[str]) -> list[str]:
    """What a person reads of some scopes, in the order in which they are offered."""
    held = set(scopes)
    return [str(scope.label) for scope in Scope if scope in held]
