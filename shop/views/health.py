"""A plain answer for whatever watches the server."""

from django.db import connection
from django.http import HttpResponse
from django.views.decorators.http import require_safe

from shop.access import public
from shop.http import Request


@public
@require_safe
def healthz(request: Request) -> HttpResponse:
    """`ok` when the database answers; 503 and a sentence when not (shop/views/failures.py)."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return HttpResponse("ok", content_type="text/plain")
