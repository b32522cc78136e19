"""The request as our middleware hands it to a view, and the plainest answer to one."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from django.http import HttpRequest, HttpResponse

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from shop.branches import Reach
    from shop.models import Shop, StaffMember, Tablet

COOKIE_PREFIX: Final = "__Host-"
"""How the name of every cookie begins over TLS (`shop.cookies`)."""


class Request(HttpRequest):
    """Signed in, unless the view is public; a name for types, never made by itself."""

    branches: "Reach | None"
    htmx: "HtmxDetails"
    shop: "Shop"
    tablet: "Tablet | None"
    user: "StaffMember"


def sentences(reasons: Iterable[str], status: int) -> HttpResponse:
    """Why something is not taken, for a script that shows it as it is."""
    return HttpResponse(" ".join(reasons), status=status, content_type="text/plain; charset=utf-8")
