"""What the API says when it cannot do what was asked: a problem document (RFC 9457, 2023)."""

import json
from http import HTTPStatus
from typing import Any, Final

from django.http import HttpResponse

API: Final = "/api/"
"""Addresses below this are the API's: no page, no cookie, and problems instead of pages."""

MOST_BYTES: Final = 3 * 1024 * 1024
"""From anybody who shows what looks like a token: a plan, or rows of the catalogue. The token
itself is looked at when all has arrived."""

TYPE: Final = "application/problem+json"


def problem(status: int, detail: str, **more: Any) -> HttpResponse:
    """The answer; `detail` is a sentence that says what to do next, `more` goes beside it.

    The type is "about:blank": the status says what kind it is (RFC 9457, 4.2.1).
    """
    said = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status}
    return HttpResponse(
        json.dumps({**said, "detail": detail, **more}, ensure_ascii=False),
        status=status,
        content_type=TYPE,
    )
