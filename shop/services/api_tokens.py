"""Tokens of the API: made by a manager, shown once, kept as a hash, counted, ended.

A token is 256 random bits, so a plain hash keeps it as well as a slow one would. Wrong ones are
counted by address as tries at passwords are; a right one is served all the same, so that nobody
can shut a neighbouring program out by guessing beside it.
"""

import hashlib
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Case, F, Value, When
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext

from shop.models import ApiToken, StaffMember
from shop.scopes import NEEDS
from shop.services import ending, events, sign_in

PREFIX: Final = "loombook_"
"""By which a secret in the wrong place, a log or a repository, is known for what it is."""
LONGEST: Final = timedelta(days=366)
A_MINUTE: Final = 300
"""So many requests of one token are answered within a minute."""
MINUTE: Final = timedelta(minutes=1)

MADE: Final = "token.made"
ENDED: Final = "token.ended"
WROTE: Final = "token.wrote"


class NoToken(Exception):
    """Whatever was shown opens nothing; the text says what to do."""


class TooOften(Exception):
    """The token has had its requests of this minute; the next are answered at `until`."""

    def __init__(self, until: datetime) -> None:
        super().__init__("Too many requests with this token: wait, then send it again.")
        self.until = until


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def make(
    name: str, scopes: Iterable[str], expires_at: datetime, by: StaffMember
) -> tuple[ApiToken, str]:
    """A token and its secret, which is kept nowhere. Raises ValidationError."""
    wanted = set(scopes)
    if not wanted or not wanted <= NEEDS.keys():
        raise ValidationError({"scopes": gettext("Tick at least one thing the token may do.")})
    if not timezone.now() < expires_at <= timezone.now() + LONGEST:
        raise ValidationError({"last_day": gettext("Give a day from today to one year from now.")})
    secret = PREFIX + secrets.token_urlsafe(32)
    token = ApiToken.objects.create(
        name=name,
        token_sha256=_digest(secret),
        scopes=[str(scope) for scope in NEEDS if scope in wanted],
        expires_at=expires_at,
        made_by=by,
    )
    events.log(by, MADE, token, after=events.facts_of(token))
    return token, secret


def end(pk: int, by: StaffMember) -> None:
    """End a token at once; again changes nothing."""
    ending.end(ApiToken.objects.filter(pk=pk), by, ENDED)


def shown(request: HttpRequest, secret: str) -> ApiToken:
    """The token of this secret, its use counted.

    Raises NoToken, sign_in.Waiting after too many wrong ones from one address, and TooOften.
    """
    token = (
        ApiToken.objects.select_related("made_by").filter(token_sha256=_digest(secret)).first()
        if secret
        else None
    )
    if token is None:
        if secret:
            sign_in.count_asked(request, "token")
            sign_in.log(request, sign_in.FAILED, None, by="token of the API")
        raise NoToken("Send a token that a manager made under Shop: Authorization: Bearer TOKEN.")
    if token.ended_at is not None:
        raise NoToken("This token was ended: ask a manager for another.")
    if token.is_over:
        raise NoToken("The time of this token has passed: ask a manager for another.")
    if not token.made_by.is_active:
        raise NoToken("Whoever made this token works here no more: ask a manager for another.")
    _count(token)
    return token


def _count(token: ApiToken) -> None:
    """Note one use, whatever others do with it meanwhile."""
    now = timezone.now()
    fresh = When(minute__lte=now - MINUTE, then=Value(1))
    began = When(minute__lte=now - MINUTE, then=Value(now))
    ApiToken.objects.filter(pk=token.pk).update(
        uses=F("uses") + 1,
        last_used_at=now,
        in_minute=Case(fresh, default=F("in_minute") + 1),
        minute=Case(began, default=F("minute")),
    )
    token.refresh_from_db(fields=["in_minute", "minute"])
    if token.in_minute > A_MINUTE:
        raise TooOften(token.minute + MINUTE)


def may(token: ApiToken, scope: str) -> bool:
    """Whether the token has the scope, and its owner still a role that goes with it."""
    return scope in token.scopes and not NEEDS[scope].isdisjoint(token.made_by.roles)
