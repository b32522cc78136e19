"""Plain answers for whatever watches the server."""

import hmac
import os
import shutil
from collections.abc import Callable
from typing import Final

from django.conf import settings
from django.db import connection
from django.http import Http404, HttpResponse
from django.views.decorators.http import require_safe

from shop import metrics as figures
from shop.access import public
from shop.http import Request
from shop.services import unfinished_restore

ALIVE: Final = "/healthz"
READY: Final = "/readyz"
LEAST_FREE_BYTES: Final = 32 * 2**20
"""Room on the disk of the data folder for the largest upload that the proxy lets through."""

_also: Final[list[Callable[[], str]]] = []


def also(why_not: Callable[[], str]) -> None:
    """Ask something else before this machine is called ready, by the room that knows it: a sentence
    that says why it is not, or nothing."""
    _also.append(why_not)


@public
@require_safe
def healthz(request: Request) -> HttpResponse:
    """`ok`: this process serves. Without an answer it is to be started again; the database is not
    asked, for starting again would not mend it."""
    return HttpResponse("ok", content_type="text/plain")


@public
@require_safe
def readyz(request: Request) -> HttpResponse:
    """`ready` when the database answers, uploads can be kept and the keys here are this book's.
    Else 503 and a sentence (of the database: shop/views/failures.py). It says so again by itself
    when all is back."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    if not os.access(settings.DATA_DIR, os.W_OK):
        said = "The data folder cannot be written to: see LOOMBOOK_DATA and its owner."
        return HttpResponse(said, status=503, content_type="text/plain")
    if shutil.disk_usage(settings.DATA_DIR).free < LEAST_FREE_BYTES:
        said = "The disk of the data folder is full: make room on it. Nothing can be kept there."
        return HttpResponse(said, status=503, content_type="text/plain")
    for said in filter(None, (why_not() for why_not in (unfinished_restore.why_not, *_also))):
        return HttpResponse(said, status=503, content_type="text/plain")
    return HttpResponse("ready", content_type="text/plain")


@public
@require_safe
def metrics(request: Request) -> HttpResponse:
    """Figures in Prometheus' text format for who names the token; without one set, no page."""
    if not settings.METRICS_TOKEN:
        raise Http404
    named = request.headers.get("Authorization", "").removeprefix("Bearer ")
    if not hmac.compare_digest(named.encode(), settings.METRICS_TOKEN.encode()):
        said = "Send the token of LOOMBOOK_METRICS_TOKEN: Authorization: Bearer TOKEN"
        answer = HttpResponse(said, status=401, content_type="text/plain")
        answer["WWW-Authenticate"] = "Bearer"
        return answer
    told, kind = figures.text()
    return HttpResponse(told, content_type=kind)
