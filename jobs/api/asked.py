"""What an operation may say no with, and how it finds what it is asked for."""

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from django.core.exceptions import PermissionDenied
from django.db.models import Model, QuerySet
from django.http import HttpRequest

from jobs.models import Job
from shop.models import ApiToken
from shop.scopes import NEEDS, Scope
from shop.services import api_tokens
from shop.typed import whole

Row = TypeVar("Row", bound=Model)


class Asked(HttpRequest):
    """A request that a token opened."""

    token: ApiToken


class Problem(Exception):
    """The answer to give instead: its status, a sentence, and what is wrong where."""

    def __init__(
        self, status: int, detail: str, errors: Sequence[Mapping[str, str]] = (), **more: Any
    ) -> None:
        super().__init__(detail)
        self.status, self.detail = status, detail
        self.more = {**({"errors": list(errors)} if errors else {}), **more}


def need(request: Asked, *scopes: Scope) -> None:
    """Refuse a token that may not do this, or no longer."""
    for scope in scopes:
        if scope not in request.token.scopes:
            raise PermissionDenied(f"This token lacks {scope}: have a manager make one with it.")
        if not api_tokens.may(request.token, scope):
            roles = " or ".join(sorted(role.label.lower() for role in NEEDS[scope]))
            raise PermissionDenied(
                f"Whoever made this token is no longer {roles}: have a manager make another."
            )


def sees_customers(request: Asked) -> bool:
    """Whether what is told of a job says whose it is."""
    return api_tokens.may(request.token, Scope.CUSTOMERS_READ)


def cursor_of(text: str | None) -> int | None:
    """Where a page begins; None for the first. Raises Problem for what no answer gave."""
    if text is None:
        return None
    if (place := whole(text, 1)) is None:
        raise Problem(422, "Send `next` of the page before as cursor, or none for the first page.")
    return place


def found(rows: "QuerySet[Row]", what: str, **by: Any) -> Row:
    """The row asked for. Raises Problem when it is not there."""
    row = rows.filter(**by).first()
    if row is None:
        raise Problem(404, f"There is no such {what}: ask for the list.")
    return row


def job_of(number: int) -> Job:
    """The job of this number."""
    return found(Job.objects.with_names(), "job", number=number)
