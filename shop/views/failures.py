"""What is answered when a request fails: what to do next, and what was typed.

A browser that opens a page gets a page; a request made from within a page (htmx, a saving cell, a
photo), or by whatever watches the server, gets one plain sentence, and what was typed stays where
it is. Pages of 400, 413, 500 and 503 are made without the database.
"""

import errno
import logging
import re
import sys
from dataclasses import dataclass
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from django.core.exceptions import (
    DisallowedHost,
    PermissionDenied,
    RequestDataTooBig,
    SuspiciousOperation,
    TooManyFieldsSent,
    TooManyFilesSent,
)
from django.db import DatabaseError, Error, InterfaceError, OperationalError
from django.http import HttpResponse, UnreadablePostError
from django.http.multipartparser import MultiPartParserError
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.utils import timezone

from shop import logs, wording
from shop.branches import Elsewhere
from shop.http import Request
from shop.middleware import ABOUT
from shop.problems import API, problem

logger = logging.getLogger(__name__)

PLAIN: Final = "text/plain; charset=utf-8"
RETRY_AFTER_S: Final = 10

SECRET: Final = frozenset({"password", "passwd", "pin", "secret", "token", "again", "second"})
"""Words in the name of a field whose value is never shown again."""

NOT_TYPED: Final = frozenset({"csrfmiddlewaretoken", "key", "version", "next", "seen", "turn"})
MOST_LINES: Final = 14
MOST_FIELDS: Final = 400
MOST_LETTERS: Final = 400_000
DRAWING: Final = "data:"
"""How a field that holds a drawing, such as a signature, begins."""


class Failure(NamedTuple):
    """`again`: sending the same once more may succeed."""

    status: int
    icon: str
    title: str
    text: str
    again: bool = False


BAD: Final = Failure(
    400,
    "caution",
    "The server could not read this",
    "Something in the request is damaged. Go back, reload the page and try again.",
)
HOST: Final = BAD._replace(
    text="The server is not set up to answer to this address. Use the address the shop gave you, "
    "or "
    "ask whoever looks after it to add this one to LOOMBOOK_HOSTS.",
)
MANY: Final = BAD._replace(
    title="This is more than fits into one form",
    text="There are too many fields or files in it. Go back and send it in smaller parts.",
)
ROLE: Final = Failure(
    403, "lock", "Not for your role", "This page is not open to you. Ask a manager."
)
ELSEWHERE: Final = ROLE._replace(title="Of another branch")
TOKEN: Final = Failure(
    403,
    "lock",
    "This page was open for too long",
    "To be safe the server takes forms only from a page it made for you a short while ago. Nothing "
    "was changed. Load the page again and send it once more.",
    again=True,
)
GONE: Final = Failure(
    404,
    "search",
    "There is no such page",
    "It may have been removed, or the address has a slip in it. Find the job by its number, plate "
    "or "
    "the customer's name.",
)
LARGE: Final = Failure(
    413,
    "caution",
    "This is too large for the server",
    "Nothing was changed. Go back: what you typed is still there. Send a smaller file, or fewer.",
)
FAULT: Final = Failure(
    500,
    "caution",
    "Something failed in our program",
    "This was not your doing. Try it once more; when it fails again, tell whoever looks after "
    "Loombook what you did, and the time.",
    again=True,
)
AWAY: Final = Failure(
    503,
    "sync",
    "The shop's book cannot be reached just now",
    "The server is there, but its database or its disk does not answer. Wait a minute, then try "
    "again; when it lasts, tell whoever looks after the server.",
    again=True,
)


# What was typed ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Typed:
    """The fields of a post: to read and copy, and to send again."""

    text: str = ""
    fields: tuple[tuple[str, str], ...] = ()
    files: tuple[str, ...] = ()
    secrets: bool = False

    @property
    def lines(self) -> int:
        return min(self.text.count("\n") + 2, MOST_LINES)


def is_secret(name: str) -> bool:
    """True for the name of a field that holds a password or a PIN."""
    return not SECRET.isdisjoint(re.split(r"[^a-z]+", name.lower()))


def _from_here(request: Request) -> bool:
    """Sent by a page of ours: what another site sends is never offered to be sent again."""
    came = request.headers.get("Origin") or request.headers.get("Referer", "")
    try:
        return urlsplit(came).netloc == request.get_host()
    except (DisallowedHost, ValueError):
        return False


def typed_in(request: Request) -> Typed:
    """What a person typed into the form that failed; nothing where it cannot be read."""
    if request.method != "POST" or not _from_here(request):
        return Typed()
    try:
        fields = [(name, value) for name, values in request.POST.lists() for value in values]
        files = [file.name or "" for _, some in request.FILES.lists() for file in some]
    except (SuspiciousOperation, MultiPartParserError, UnreadablePostError, OSError, ValueError):
        return Typed()
    hidden = {value for name, value in fields if is_secret(name) and value}
    kept = [
        (name, value)
        for name, value in fields
        if name != "csrfmiddlewaretoken" and not is_secret(name) and value not in hidden
    ]
    if len(kept) > MOST_FIELDS or sum(len(value) for _, value in kept) > MOST_LETTERS:
        return Typed(files=tuple(files), secrets=bool(hidden))
    shown = [
        f"{name.replace('_', ' ').capitalize()}: {value}"
        for name, value in kept
        if value.strip() and name not in NOT_TYPED and not value.startswith(DRAWING)
    ]
    return Typed("\n".join(shown), tuple(kept), tuple(files), bool(hidden))


# The answer -------------------------------------------------------------------------------------


def _wants_page(request: Request) -> bool:
    within = "HX-Request" in request.headers or "Loombook-Photo" in request.headers
    return not within and "text/html" in request.headers.get("Accept", "")


def _page(request: Request, failure: Failure, *, with_bar: bool) -> str:
    typed = typed_in(request)
    context = {
        "failure": failure,
        "typed": typed,
        "send_again": failure.again and bool(typed.fields) and not typed.files,
        "try_again": request.get_full_path()
        if failure.again and request.method in {"GET", "HEAD"}
        else "",
        "post_to": request.get_full_path(),
        "at": wording.stamp(timezone.now()) if failure.status >= 500 else "",
        "request_id": logs.current(),
    }
    if with_bar:
        return render_to_string("failure.html", context, request=request)
    if context["send_again"]:
        context["csrf_token"] = get_token(request)
    return render_to_string("failure.html", context)


def answer(request: Request, failure: Failure, *, with_bar: bool = False) -> HttpResponse:
    """The page of this failure, or its sentence; `with_bar` needs the database."""
    plain = f"{failure.title}. {failure.text}" if failure is not ROLE else failure.text
    if request.path_info.startswith(API):
        return problem(failure.status, plain)
    if not _wants_page(request):
        return HttpResponse(plain, status=failure.status, content_type=PLAIN)
    try:
        html = _page(request, failure, with_bar=with_bar)
    except Exception:
        if with_bar:
            raise
        logger.exception("The page of a failure failed")
        return HttpResponse(plain, status=failure.status, content_type=PLAIN)
    response = HttpResponse(html, status=failure.status)
    response["Cache-Control"] = "no-store"
    return response


def bad_request(request: Request, exception: Exception | None = None) -> HttpResponse:
    """400, or 413 when the body is larger than the server takes."""
    if isinstance(exception, RequestDataTooBig):
        return answer(request, LARGE)
    if isinstance(exception, TooManyFieldsSent | TooManyFilesSent):
        return answer(request, MANY)
    return answer(request, HOST if isinstance(exception, DisallowedHost) else BAD)


def forbidden(request: Request, exception: Exception | None = None) -> HttpResponse:
    """403 with the reason that the refusal gives."""
    reason = str(exception) if isinstance(exception, PermissionDenied) else ""
    failure = ELSEWHERE if isinstance(exception, Elsewhere) else ROLE
    logs.security(request, "of another branch" if failure is ELSEWHERE else "no right to it")
    return answer(request, failure._replace(text=reason) if reason else failure, with_bar=True)


def not_found(request: Request, exception: Exception | None = None) -> HttpResponse:
    """404; within a page it is the row or the job that is gone."""
    if not _wants_page(request) and not request.path_info.startswith(API):
        text = "This is no longer there. Reload the page to see what changed."
        return HttpResponse(text, status=404, content_type=PLAIN)
    return answer(request, GONE, with_bar=True)


def csrf_failure(request: Request, reason: str = "") -> HttpResponse:
    """403 with a fresh token: a device sends its entry once more by itself."""
    get_token(request)
    # What follows the dash is an address that the sender gave.
    logs.security(request, "no form of ours", reason=str(reason).partition(" - ")[0])
    response = answer(request, TOKEN)
    response[ABOUT] = "token"
    return response


def server_error(request: Request) -> HttpResponse:
    """503 when the database or the disk is away, 500 when our program failed."""
    if not is_away(sys.exc_info()[1]):
        return answer(request, FAULT)
    response = answer(request, AWAY)
    response["Retry-After"] = str(RETRY_AFTER_S)
    return response


# Whose failure it is ----------------------------------------------------------------------------

DISK: Final = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EMFILE, errno.ENFILE}
)

SQLITE_AWAY: Final = frozenset({5, 6, 7, 8, 9, 10, 11, 13, 14, 15, 26})
"""Primary result codes (SQLite, "Result and Error Codes"): busy, locked, no memory, read-only,
interrupted, input or output, corrupt, full, cannot open, protocol, no database. The rest, such as
1 for an error in the statement, are our program's."""

POSTGRESQL_AWAY: Final = ("08", "40", "53", "55", "57", "58")
"""Classes of SQLSTATE (PostgreSQL 15 manual, appendix A): connection, rollback, resources, not in
the state it needs, intervention of an operator, system."""


def is_away(error: BaseException | None) -> bool:
    """True when the database or the disk is the reason, so that the same may succeed later."""
    if isinstance(error, OSError):
        return error.errno in DISK
    if not isinstance(error, Error):
        return False
    cause = error.__cause__
    code = getattr(cause, "sqlite_errorcode", None)
    if code is not None:
        return code & 0xFF in SQLITE_AWAY
    state = getattr(cause, "sqlstate", None)
    if state:
        return str(state).startswith(POSTGRESQL_AWAY)
    return isinstance(error, OperationalError | InterfaceError) or type(error) is DatabaseError
