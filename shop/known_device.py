"""A device on which staff have signed in, and which of them.

Its cookie is signed, so that the server can tell before a body has arrived and without asking the
database: only such a device may send photos and files. It outlives the sign-in: a tablet that sends
a waiting photo after its session ended is told to sign in again, not that its photo is too large.

The cookie also names the device and the people who have signed in on it. Wrong passwords for one
of them are counted by device and not by address, so that strangers who guess at a name from the
same network cannot shut its owner out (OWASP, "Slow Down Online Guessing Attacks with Device
Cookies").
"""

import secrets
from typing import Final

from django.core.signing import BadSignature, TimestampSigner
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from shop import logs

COOKIE: Final = "loombook-device"
_DAY_S: Final = 24 * 3600
LASTS_S: Final = 180 * _DAY_S
_RENEWED_AFTER_S: Final = 30 * _DAY_S
_MOST_PEOPLE: Final = 24
_BETWEEN: Final = "."


def _signer() -> TimestampSigner:
    return TimestampSigner(salt="shop.known_device")


def _said(cookie: str, within_s: int) -> list[str]:
    """What the cookie says, nothing when it is not ours or too old."""
    try:
        return _signer().unsign(cookie, max_age=within_s).split(_BETWEEN)
    except BadSignature:
        return []


def _is_forged(cookie: str) -> bool:
    """Whether it was never ours; one that is too old was."""
    try:
        _signer().unsign(cookie)
    except BadSignature:
        return True
    return False


def is_known(cookie: str, within_s: int = LASTS_S) -> bool:
    """Whether the cookie was given by this shop's server, not longer ago than that."""
    return bool(_said(cookie, within_s))


def device_of(request: HttpRequest, person_pk: int) -> str:
    """The name of the device when this person has signed in on it before, else nothing."""
    name, *people = _said(request.COOKIES.get(COOKIE, ""), LASTS_S) or [""]
    return name if str(person_pk) in people else ""


def remember(request: HttpRequest, response: HttpResponseBase) -> None:
    """Give the device of a signed-in person its cookie, or a fresh one in place of an old."""
    if not request.user.is_authenticated:
        return
    person, cookie = str(request.user.pk), request.COOKIES.get(COOKIE, "")
    name, *people = _said(cookie, LASTS_S) or [""]
    if cookie and not people and _is_forged(cookie):
        logs.security(request, "forged cookie", cookie=COOKIE)
    if person in people and is_known(cookie, _RENEWED_AFTER_S):
        return
    if not people:
        name = secrets.token_urlsafe(12)
    people = [person, *(one for one in people if one != person)][:_MOST_PEOPLE]
    response.set_cookie(
        COOKIE,
        _signer().sign(_BETWEEN.join([name, *people])),
        max_age=LASTS_S,
        httponly=True,
        samesite="Lax",
    )
