"""A device on which staff have signed in: only such a one may send photos and files.

Its cookie is signed, so that the server can tell before a body has arrived and without asking the
database. It outlives the sign-in: a tablet that sends a waiting photo after its session ended is
told to sign in again, not that its photo is too large.
"""

from typing import Final

from django.conf import settings
from django.core.signing import BadSignature, TimestampSigner
from django.http import HttpRequest
from django.http.response import HttpResponseBase

COOKIE: Final = "loombook-device"
_DAY_S: Final = 24 * 3600
LASTS_S: Final = 180 * _DAY_S
_RENEWED_AFTER_S: Final = 30 * _DAY_S


def _signer() -> TimestampSigner:
    return TimestampSigner(salt="shop.known_device")


def is_known(cookie: str, within_s: int = LASTS_S) -> bool:
    """Whether the cookie was given by this shop's server, not longer ago than that."""
    try:
        _signer().unsign(cookie, max_age=within_s)
    except BadSignature:
        return False
    return True


def remember(request: HttpRequest, response: HttpResponseBase) -> None:
    """Give the device of a signed-in person its cookie, or a fresh one in place of an old."""
    if request.user.is_authenticated and not is_known(
        request.COOKIES.get(COOKIE, ""), _RENEWED_AFTER_S
    ):
        response.set_cookie(
            COOKIE,
            _signer().sign("staff"),
            max_age=LASTS_S,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
