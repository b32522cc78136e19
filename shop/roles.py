"""The roles, and whether a person holds one."""

from typing import Any

from django.db import models


class Role(models.TextChoices):
    FRONT_DESK = "front_desk", "Front desk"
    TECHNICIAN = "technician", "Technician"
    MANAGER = "manager", "Manager"


ALL_ROLES = frozenset(Role)
DESK = frozenset({Role.FRONT_DESK, Role.MANAGER})
"""Who receives cars and people."""

BENCH = frozenset({Role.TECHNICIAN, Role.MANAGER})
"""Who writes on a bay sheet."""


def has_role(user: Any, roles: frozenset[Role]) -> bool:
    """True when the signed-in staff member holds at least one of the roles."""
    return user.is_authenticated and not roles.isdisjoint(user.roles)
