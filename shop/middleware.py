"""One shop row a request, and its time zone switched on."""

from collections.abc import Callable
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shop.models import Shop


class ShopMiddleware:
    """Sets `request.shop` and the shop's time zone."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        shop = Shop.objects.current()
        request.shop = shop  # type: ignore[attr-defined]
        with timezone.override(ZoneInfo(shop.time_zone)):
            return self.get_response(request)
