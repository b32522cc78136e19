"""The request as our middleware hands it to a view."""

from typing import TYPE_CHECKING

from django.http import HttpRequest

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from shop.models import Shop, StaffMember, Tablet


class Request(HttpRequest):
    """Signed in, unless the view is public; a name for types, never made by itself."""

    htmx: "HtmxDetails"
    shop: "Shop"
    tablet: "Tablet | None"
    user: "StaffMember"
