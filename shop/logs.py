"""What the program writes to its log: each line names the request it belongs to.

With LOOMBOOK_LOG=json every line is one JSON object, and every request has a line. Addresses stand
without their query and forms not at all, so that nothing typed gets into a log.

What looks like an attempt to get round a control (no right to it, a token of a form that is not
ours, a forged cookie, a token of the API beyond its scope, too many tries) is a line of its own. It
goes here and not into the shop's log: anybody can bring such lines about, and here old ones go.
"""

import json
import logging
import secrets
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Final

from django.http import HttpRequest

REQUESTS: Final = logging.getLogger("loombook.requests")
"""One line a request, at level INFO."""

SECURITY: Final = logging.getLogger("loombook.security")
"""One line an attempt to get round a control, at level WARNING."""

NONE: Final = "-"
_ID: Final = "id_in_log"
_SAID: Final = "security_said"
_current: ContextVar[str] = ContextVar("request_id", default=NONE)


def begin(request: object) -> str:
    """Give the request that this thread serves an id."""
    name = secrets.token_hex(8)
    _current.set(name)
    vars(request)[_ID] = name
    return name


def end() -> None:
    """The thread serves no request any more."""
    _current.set(NONE)


def current() -> str:
    """The id of the request being served, or a dash."""
    return _current.get()


def security(request: HttpRequest, what: str, **facts: object) -> None:
    """Write down an attempt to get round a control: what, by whom, from where, to which address.

    `facts` are words of ours and keys of rows, never what somebody sent.
    """
    vars(request)[_SAID] = True
    person = str(getattr(getattr(request, "user", None), "pk", None) or 0)
    at = request.META.get("REMOTE_ADDR", "")
    SECURITY.warning(
        "%s: %s %a, person %s, from %s",
        what,
        request.method,
        request.path,
        person,
        at,
        extra={
            "facts": {
                "what": what,
                "method": request.method,
                "path": request.path,
                "person": person,
                "address": at,
                **facts,
            }
        },
    )


def refused(request: HttpRequest) -> None:
    """The same for a request that was answered with 403, where nothing else has said why."""
    if _SAID not in vars(request):
        security(request, "refused")


class OfRequest(logging.Filter):
    """Puts the id of the request on each record."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every record pass, with its request."""
        # Django says which request it answered with 404 after that has left our hands.
        request = vars(record).get("request")
        of_it = vars(request).get(_ID) if isinstance(request, HttpRequest) else None
        vars(record).setdefault("request_id", of_it or current())
        return True


class JsonLines(logging.Formatter):
    """One JSON object a line: time, level, logger, message, request; facts; what failed."""

    def format(self, record: logging.LogRecord) -> str:
        """A record as text; a line break within it is escaped."""
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
            "request": vars(record).get("request_id", NONE),
            **vars(record).get("facts", {}),
        }
        if record.exc_info:
            line["failed"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)
