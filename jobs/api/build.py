"""The API put together: operations, what is said when something is wrong, the description."""

import json
from typing import Any, Final

import msgspec
from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import HttpResponse
from django.http.request import RawPostDataException
from django.urls import Resolver404, URLResolver
from django.urls.resolvers import RegexPattern
from ninja import NinjaAPI
from ninja.errors import HttpError, ValidationError

from jobs.api.asked import Asked, Problem
from jobs.api.operations import router
from jobs.api.shapes import ProblemOut
from jobs.errors import AskFirst, Busy, Refused
from jobs.record_key import KeyLost
from shop import logs
from shop.problems import TYPE, problem
from shop.scopes import Scope
from shop.views.failures import RETRY_AFTER_S
from wiring.plan import Plan

PREFIX: Final = "/api/v1"

api = NinjaAPI(
    title="Loombook",
    version="1",
    description=(
        "Reads jobs, plans, setups, sheets and the catalogue of a shop, books jobs and brings "
        "products in. Each request carries a token that a manager made under Shop. What goes "
        "wrong is told as a problem document (RFC 9457). See docs/api.md."
    ),
    openapi_url=None,
    docs_url=None,
    urls_namespace="loombook-api",
)
api.add_router("", router)


# What is wrong ------------------------------------------------------------------------------------


@api.exception_handler(Problem)
def _problem(request: Asked, error: Problem) -> HttpResponse:
    return problem(error.status, error.detail, **error.more)


@api.exception_handler(ValidationError)
def _invalid(request: Asked, error: ValidationError) -> HttpResponse:
    errors = [{"where": ".".join(map(str, one["loc"])), "says": one["msg"]} for one in error.errors]
    if any(one["where"].casefold().endswith("idempotency-key") for one in errors):
        said = (
            "Send a header Idempotency-Key of 1 to 80 plain characters, a new one for each write."
        )
        return problem(400, said, errors=errors)
    return problem(422, "Put right what is named in errors, then send it again.", errors=errors)


@api.exception_handler(HttpError)
def _refused_by_ninja(request: Asked, error: HttpError) -> HttpResponse:
    return problem(error.status_code, f"{error} Send JSON in UTF-8.")


@api.exception_handler(PermissionDenied)
def _forbidden(request: Asked, error: PermissionDenied) -> HttpResponse:
    said = str(error)
    logs.security(
        request, "beyond its scope", token=request.token.pk, reason=said.partition(":")[0]
    )
    return problem(403, said)


@api.exception_handler(Refused)
def _refused(request: Asked, error: Refused) -> HttpResponse:
    if isinstance(error, Busy | KeyLost):
        answer = problem(503, str(error))
        answer["Retry-After"] = str(RETRY_AFTER_S)
        return answer
    if isinstance(error, AskFirst):
        said = f"{error} When it is meant all the same, send it again with this yes."
        return problem(409, said, confirm=error.token)
    return problem(409, str(error))


@api.exception_handler(RawPostDataException)
def _no_json(request: Asked, error: RawPostDataException) -> HttpResponse:
    return problem(415, "Send the body as application/json.")


@api.exception_handler(RequestDataTooBig)
def _too_large(request: Asked, error: RequestDataTooBig) -> HttpResponse:
    return problem(413, "This is too large: send fewer rows at once.")


# Answering ----------------------------------------------------------------------------------------

_resolver = URLResolver(RegexPattern(r"^"), api.urls[0])


def serve(request: Asked, path: str) -> HttpResponse:
    """The answer to a request whose token is known."""
    try:
        found = _resolver.resolve(path)
    except Resolver404:
        return problem(404, "There is nothing at this address: see /api/v1/openapi.json.")
    answer: HttpResponse = found.func(request, *found.args, **found.kwargs)
    if answer.status_code == 405:
        ways = ", ".join(sorted(answer.get("Allow", "").split(", ")))
        said = problem(405, f"This address takes {ways}: see /api/v1/openapi.json.")
        said["Allow"] = ways
        return said
    if answer.status_code >= 400 and answer["Content-Type"] != TYPE:
        return problem(answer.status_code, "This could not be answered: see /api/v1/openapi.json.")
    return answer


# The description ----------------------------------------------------------------------------------


def described() -> dict[str, Any]:
    """The OpenAPI 3.1 document."""
    document = api.get_openapi_schema(path_prefix=PREFIX)
    schemas = document["components"]["schemas"]
    _, of_plan = msgspec.json.schema_components([Plan], ref_template="#/components/schemas/{name}")
    if twice := schemas.keys() & of_plan.keys():
        raise ValueError(f"Two schemas of one name: {sorted(twice)}.")
    schemas |= of_plan
    schemas["Problem"] = ProblemOut.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas |= schemas["Problem"].pop("$defs")
    document["components"]["securitySchemes"] = {
        "token": {
            "type": "http",
            "scheme": "bearer",
            "description": "Made by a manager under Shop. Scopes: "
            + "; ".join(f"{scope} {scope.label}" for scope in Scope)
            + ".",
        }
    }
    wrong = {
        "description": "What is wrong, and what to do next",
        "content": {TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
    for ways in document["paths"].values():
        for operation in ways.values():
            operation["responses"]["default"] = wrong
            operation["operationId"] = operation["operationId"].removeprefix("jobs_api_operations_")
    plain: dict[str, Any] = json.loads(json.dumps(document))
    return plain


def written() -> bytes:
    """The description as it lies in openapi.json."""
    return json.dumps(described(), ensure_ascii=False, indent=1).encode() + b"\n"
