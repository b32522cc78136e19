"""Shared tablets: registered by a manager, known by a signed cookie, revoked when lost.

The cookie holds a random token; the database holds its SHA-256 only.
"""

import hashlib
import secrets
from datetime import timedelta
from typing import Final

from django.core.signing import BadSignature, SignatureExpired
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shop import logs
from shop.models import Bay, StaffMember, Tablet
from shop.services import ending, events

COOKIE: Final = "tablet"
REVOKED: Final = "tablet.revoked"
SALT: Final = "shop.tablet"
COOKIE_AGE: Final = timedelta(days=400)
"""As long as browsers keep a cookie (RFC 6265bis, 5.5: at most 400 days); renewed by use."""

SEEN_EVERY: Final = timedelta(minutes=5)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def register(
    name: str, bay: Bay | None, by: StaffMember, replaces: Tablet | None = None
) -> tuple[Tablet, str]:
    """Register a device and give its token; what the device was before is revoked."""
    if replaces is not None:
        revoke(replaces.pk, by)
    token = secrets.token_urlsafe(32)
    tablet = Tablet.objects.create(
        name=name, bay=bay, token_sha256=_digest(token), registered_by=by
    )
    events.log(by, "tablet.registered", tablet, after=events.facts_of(tablet))
    return tablet, token


def revoke(pk: int, by: StaffMember) -> None:
    """Take a tablet out of use: its PIN sign-ins end with their next request."""
    ending.end(Tablet.objects.filter(pk=pk), by, REVOKED, "revoked")


def remember(response: HttpResponse, token: str) -> None:
    """Put the token into the device's cookie."""
    response.set_signed_cookie(
        COOKIE,
        token,
        salt=SALT,
        max_age=int(COOKIE_AGE.total_seconds()),
        httponly=True,
        samesite="Lax",
    )


def token_of(request: HttpRequest) -> str:
    """The token the device carries, empty when it has none or a forged one."""
    if COOKIE not in request.COOKIES:
        return ""
    try:
        return str(
            request.get_signed_cookie(COOKIE, salt=SALT, max_age=int(COOKIE_AGE.total_seconds()))
        )
    except SignatureExpired:
        return ""
    except BadSignature:
        logs.security(request, "forged cookie", cookie=COOKIE)
        return ""


def tablet_of(token: str) -> Tablet | None:
    """The tablet in use with this token."""
    if not token:
        return None
    return Tablet.objects.in_use().select_related("bay").filter(token_sha256=_digest(token)).first()


def seen(tablet: Tablet) -> bool:
    """Note that the tablet is in use, at most every few minutes. True when it was noted."""
    now = timezone.now()
    if tablet.last_seen_at is not None and now - tablet.last_seen_at < SEEN_EVERY:
        return False
    Tablet.objects.filter(pk=tablet.pk).update(last_seen_at=now)
    return True
