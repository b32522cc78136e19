"""The API's door: what a token opens goes on to jobs.api, which is loaded with the first of them.

No cookie is looked at here (shop/middleware.py), so that no page of another site can send one
along, and nothing has to be proved against that.
"""

from typing import Any

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone, translation
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_safe

from jobs.reads.api_reference import DESCRIPTION, reference
from shop import branches, logs
from shop.access import allow, public
from shop.http import Request
from shop.lazy import Lazy
from shop.problems import MOST_BYTES, problem
from shop.roles import Role
from shop.services import api_tokens, sign_in
from shop.services.branches import reach_of
from shop.typed import NUL, whole

build = Lazy("jobs.api.build")


@allow(Role.MANAGER, password=True)
@require_safe
def api_reference(request: Request) -> HttpResponse:
    """The same description to be read by whoever writes the other program."""
    told = reference(request.build_absolute_uri("/").rstrip("/"))
    return render(request, "api/reference.html", {"told": told})


@public
@csrf_exempt
def api(request: Request, rest: str) -> HttpResponse:
    """What a neighbouring program asks. The description is open to anybody: it is the same in
    every shop."""
    with translation.override("en-gb"):
        answer = _answer(request, rest)
    answer["Content-Language"] = "en"
    answer.setdefault("Cache-Control", "private, no-store")
    return answer


def _answer(request: Request, rest: str) -> HttpResponse:
    if rest == "openapi.json":
        if request.method not in {"GET", "HEAD"}:
            answer = problem(405, "Ask for the description with GET.")
            answer["Allow"] = "GET, HEAD"
            return answer
        answer = HttpResponse(DESCRIPTION.read_bytes(), content_type="application/json")
        answer["Cache-Control"] = "public, max-age=300"
        return answer
    way, _, secret = request.headers.get("Authorization", "").partition(" ")
    if settings.HTTPS and not request.is_secure():
        logs.security(request, "sent in the open")
        return problem(403, "Ask over https. End a token that was sent without, and make another.")
    try:
        token = api_tokens.shown(request, secret.strip() if way.lower() == "bearer" else "")
    except api_tokens.NoToken as error:
        if secret:
            logs.security(request, "no token of the API", reason=str(error).partition(":")[0])
        answer = problem(401, str(error))
        answer["WWW-Authenticate"] = 'Bearer realm="Loombook"'
        return answer
    except (sign_in.Waiting, api_tokens.TooOften) as error:
        if isinstance(error, api_tokens.TooOften):
            sign_in.too_many(request, "token of the API")
        answer = problem(429, _wait_said(error))
        answer["Retry-After"] = str(max(1, round((error.until - timezone.now()).total_seconds())))
        return answer
    if (whole(request.META.get("CONTENT_LENGTH")) or 0) > MOST_BYTES:
        return problem(413, f"Send at most {MOST_BYTES // 1024**2} MB at once.")
    if NUL in rest:
        return problem(404, "There is nothing at this address: see /api/v1/openapi.json.")
    asked: Any = request
    asked.token = token
    asked.user = token.made_by
    asked.branches = reach_of(asked)
    with branches.meant(asked.branches):
        served: HttpResponse = build.serve(asked, rest)
    return served


def _wait_said(error: Exception) -> str:
    if isinstance(error, sign_in.Waiting):
        return "Too many wrong tokens from this address: wait, and look at the token."
    return str(error)
