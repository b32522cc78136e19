"""The names of cookies on the way: over TLS each is called `__Host-` and its name.

A browser takes such a cookie only over TLS, for the whole host, and sends it to no other (RFC
6265bis, draft 22 (2025), 4.1.3.2). So nobody on a plain network and no neighbouring name of the
shop's domain can put one of theirs in its place. Within the program a cookie has its plain name,
by which it also goes where there is no TLS, in a shop's own network.

Of the plain names that a device still has, those of cookies that say nothing by themselves and are
signed by us are carried over: a registered tablet stays one. Over TLS nobody is signed in by a
plain name.
"""

from typing import Final

from django.conf import settings
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from shop import known_device
from shop.http import COOKIE_PREFIX
from shop.services import second_factor, tablets

_CARRIED_S: Final = int(tablets.COOKIE_AGE.total_seconds())
"""The longest of them; until when each counts stands in what is signed."""


def arrived(request: HttpRequest) -> dict[str, str]:
    """Give a request its cookies by their plain names; gives those that were carried over."""
    sent = request.COOKIES
    plain = {name: value for name, value in sent.items() if not name.startswith(COOKIE_PREFIX)}
    if not request.is_secure():
        vars(request)["COOKIES"] = plain
        return {}
    own = {
        name[len(COOKIE_PREFIX) :]: value
        for name, value in sent.items()
        if name.startswith(COOKIE_PREFIX)
    }
    carried = {
        name: value
        for name, value in plain.items()
        if name not in own and _is_signed(request, name)
    }
    vars(request)["COOKIES"] = own | carried
    return carried


def _is_signed(request: HttpRequest, name: str) -> bool:
    if name == tablets.COOKIE:
        return bool(tablets.token_of(request))
    if name == known_device.COOKIE:
        return known_device.is_known(request.COOKIES[name])
    return second_factor.is_mark(name, request.COOKIES[name])


def leaving(request: HttpRequest, response: HttpResponseBase, carried: dict[str, str]) -> None:
    """Give the cookies of an answer the names they have on this way."""
    if not request.is_secure():
        return
    given = {name: response.cookies.pop(name) for name in list(response.cookies)}
    for name, value in carried.items():
        if name not in given:
            response.set_cookie(
                COOKIE_PREFIX + name,
                value,
                max_age=_CARRIED_S,
                secure=True,
                httponly=True,
                samesite="Lax",
            )
    for name, morsel in given.items():
        cookie = response.cookies
        cookie[COOKIE_PREFIX + name] = morsel.value
        cookie[COOKIE_PREFIX + name].update({**morsel, "path": "/", "domain": "", "secure": True})
    if settings.SESSION_COOKIE_SECURE:
        for name in carried:
            response.delete_cookie(name)
