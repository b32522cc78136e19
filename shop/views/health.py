"""Plain answers for whatever watches the server."""

import os
from typing import Final

from django.conf import settings
from django.db import connection
from django.http import HttpResponse
from django.views.decorators.http import require_safe

from shop.access import public
from shop.http import Request

ALIVE: Final = "/healthz"


@public
@require_safe
def healthz(request: Request) -> HttpResponse:
    """`ok`: this process serves. Without an answer it is to be started again; the database is not
    asked, for starting again would not mend it."""
    return HttpResponse("ok", content_type="text/plain")


@public
@require_safe
def readyz(request: Request) -> HttpResponse:
    """`ready` when the database answers and uploads can be kept; else 503 and a sentence (of the
    database: shop/views/failures.py). It says so again by itself when both are back."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    if not os.access(settings.DATA_DIR, os.W_OK):
        said = "The data folder cannot be written to: see LOOMBOOK_DATA and its owner."
        return HttpResponse(said, status=503, content_type="text/plain")
    return HttpResponse("ready", content_type="text/plain")
