"""Whose answer it is, and which; one shop row a request, its zone and language; its tablet; plain
text."""

import time
from collections.abc import Callable
from typing import Final, TypeVar, cast
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.contrib.auth import logout
from django.core.exceptions import BadRequest
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseNotAllowed, QueryDict
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.utils.cache import patch_vary_headers
from django.utils.translation import gettext

from shop import branches, cookies, known_device, languages, logs, metrics, typed
from shop.http import Request
from shop.models import Shop
from shop.problems import API
from shop.services import branches as branches_of_people, sign_in, sign_ins, tablets
from shop.session_keys import BY_PIN, TABLET
from shop.views import health
from shop.wording import number, with_unit

ABOUT = "Loombook-About"
"""Header of every answer of ours, so that a device tells it from the answer of a proxy or of the
sign-in page of somebody's wifi. It says what the answer is about: `entry` what was sent, `later`
nothing can be done now, `fault` our program failed, `token` the page's token is out of date."""

LATER = frozenset({408, 425, 429, 503})

PERSON = "Loombook-Person"
"""Header of a request: whose page sent it. Of an answer: for whom it was made, 0 for nobody."""

NOBODY: Final = "0"

METHODS: Final = ("GET", "HEAD", "OPTIONS", "POST")


ID: Final = "Loombook-Request"
"""Header of every answer: the id that the lines of the log about this request carry."""

FEATURES: Final = (
    "camera=(self), clipboard-write=(self), accelerometer=(), autoplay=(), bluetooth=(), "
    "browsing-topics=(), display-capture=(), geolocation=(), gyroscope=(), hid=(), "
    "magnetometer=(), microphone=(self), midi=(), payment=(), serial=(), usb=()"
)
"""Permissions-Policy: codes and photos need the camera, measuring the microphone; nothing else of
the device is used."""


class OwnAnswerMiddleware:
    """Names the request for the log, and marks every answer as ours. The outermost, so that answers
    to failures are marked too."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        name, began = logs.begin(request), time.monotonic()
        try:
            response = self._mark(self.get_response(request), name)
            seconds = time.monotonic() - began
            metrics.count(request, response, seconds)
            if response.status_code == 403:
                logs.refused(request)
            facts = {
                "method": request.method,
                "path": request.path,
                "status": response.status_code,
                "ms": round(1000 * seconds),
                "person": response.get(PERSON, NOBODY),
            }
            logs.REQUESTS.info("request", extra={"facts": facts})
        finally:
            logs.end()
        return response

    @staticmethod
    def _mark(response: HttpResponse, name: str) -> HttpResponse:
        response[ID] = name
        response["Permissions-Policy"] = FEATURES
        code = response.status_code
        about = "later" if code in LATER else "fault" if code >= 500 else "entry"
        response.setdefault(ABOUT, about)
        return response


class AliveMiddleware:
    """Answers whoever watches, by whatever name or address they ask: whether this process serves
    before anything asks the database, and whether it is ready."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponseBase:
        if request.path_info == health.ALIVE:
            return health.healthz(request)
        if request.path_info == health.READY:
            return health.readyz(request)
        return self.get_response(request)


class CompressPagesMiddleware(GZipMiddleware):
    """Compresses pages and JSON for a weak network; pictures and PDFs are compressed already."""

    def process_response(
        self, request: HttpRequest, response: HttpResponseBase
    ) -> HttpResponseBase:
        if response.get("Content-Type", "").startswith(("text/", "application/json")):
            return super().process_response(request, response)
        return response


class PlainRequestMiddleware:
    """Takes out of a request what no view can use, before any view sees it.

    NUL goes out of every text and cookie: no database keeps it and no person types it. A number
    in an address beyond what a database keeps is a page that is not there. Text in an encoding
    of the sender's own choice is refused, and so is a method that no page of ours uses.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        # The API says itself what it takes.
        if request.method not in METHODS and not request.path_info.startswith(API):
            return HttpResponseNotAllowed(METHODS)
        if request.encoding and request.encoding.lower() not in {"utf-8", "utf8"}:
            raise BadRequest(gettext("Send text as UTF-8."))
        request.GET = _plain_query(request.GET)
        for name, value in request.COOKIES.items():
            request.COOKIES[name] = typed.plain(value)
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: object, args: tuple[object, ...], named: dict[str, object]
    ) -> None:
        for value in named.values():
            if isinstance(value, int) and value > typed.LARGEST:
                raise Http404(gettext("There is nothing with so large a number."))
            if isinstance(value, str) and typed.NUL in value:
                raise Http404(gettext("There is nothing of that name."))
        if request.method == "POST":
            request.POST = _plain_query(request.POST)


Query = TypeVar("Query", bound=QueryDict)


def _plain_query(query: Query) -> Query:
    """The same names and values without NUL; the very object where there is none."""
    if not any(typed.NUL in text for name, texts in query.lists() for text in (name, *texts)):
        return query
    plain = QueryDict(mutable=True)
    for name, texts in query.lists():
        plain.setlist(typed.plain(name), [typed.plain(text) for text in texts])
    plain._mutable = False
    return cast(Query, plain)


class CookielessMiddleware:
    """On the API there are no cookies, neither in nor out: a token opens it, and nothing else."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not request.path_info.startswith(API):
            return self.get_response(request)
        vars(request)["COOKIES"] = {}
        response = self.get_response(request)
        response.cookies.clear()
        return response


class CookieNamesMiddleware:
    """Over TLS the names of cookies begin with `__Host-` (`shop.cookies`)."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        carried = cookies.arrived(request)
        response = self.get_response(request)
        cookies.leaving(request, response, carried)
        return response


class ShopMiddleware:
    """Sets `request.shop` and the shop's time zone."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        shop = request.shop = Shop.objects.current()
        with timezone.override(ZoneInfo(shop.time_zone)):
            return self.get_response(request)


class LanguageMiddleware:
    """Answers in the person's own language, or the shop's, or the browser's; a stranger in the
    browser's first, since nobody knows better."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        with languages.speaking(languages.of_request(request)):
            response = self.get_response(request)
            response.setdefault("Content-Language", translation.get_language() or "")
        patch_vary_headers(response, ("Accept-Language",))
        return response


BY_ITSELF = "Loombook-By-Itself"
"""Header of a request that a page makes of itself, looking for news: nobody is at work there."""


class SignInMiddleware:
    """Ends a sign-in that was idle for too long, and notes that one is in use.

    Its person is signed out and finds the sign-in page, or a 401 that leaves what was typed.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        user = request.user
        if user.is_authenticated:
            if sign_ins.is_over(request, request.shop):
                sign_in.log(request, sign_in.SIGNED_OUT, user, actor=user, by="time without use")
                logout(request)
                hours = with_unit(number(request.shop.idle_limit_h), "h")
                if request.method == "GET" and not request.headers.get("HX-Request"):
                    messages.info(
                        request,
                        gettext("You were signed out: nothing was done here for %(hours)s.")
                        % {"hours": hours},
                    )
            elif BY_ITSELF not in request.headers:
                sign_ins.used(request)
        return self.get_response(request)


class BranchMiddleware:
    """Sets `request.branches`, None in a shop with one branch, and means them (`shop.branches`)."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        request.branches = branches_of_people.reach_of(request)
        with branches.meant(request.branches):
            return self.get_response(request)


class TabletMiddleware:
    """Sets `request.tablet`, None on a device that is not registered.

    A PIN sign-in lasts only on its tablet and while that is registered. A change sent by a page
    that another person has opened (header `Loombook-Person`) is answered as signed out: the page
    keeps what was typed, and the log never names the wrong person.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        token = tablets.token_of(request)
        tablet = tablets.tablet_of(token)
        request.tablet = tablet
        pinned = request.session.get(BY_PIN)
        if pinned and not (
            tablet is not None
            and tablet.pk == request.session.get(TABLET)
            and request.user.is_authenticated
            and sign_ins.pin_stands(request, request.user)
        ):
            logout(request)
        elif self._is_of_another(request):
            html = render_to_string("inc/signed_out.html", request=request)
            return HttpResponse(html, status=401)
        response = self.get_response(request)
        response[PERSON] = str(request.user.pk or NOBODY)
        if request.user.is_authenticated:
            response.setdefault("Cache-Control", "private, no-store")
        known_device.remember(request, response)
        if tablet is not None and tablets.seen(tablet):
            tablets.remember(response, token)
        return response

    @staticmethod
    def _is_of_another(request: Request) -> bool:
        person = request.headers.get(PERSON, "")
        user = request.user
        return bool(
            person and request.method == "POST" and user.is_authenticated and person != str(user.pk)
        )
