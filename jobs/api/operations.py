"""The operations: each says its scope, asks one read or service, and tells the rows."""

import json
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Final

import msgspec
from django.http import HttpResponse
from ninja import Body, Header, Query, Router
from pydantic import Field

from jobs.api import told
from jobs.api.asked import Asked, Problem, cursor_of, found, job_of, need, sees_customers
from jobs.api.booking import booked
from jobs.api.shapes import (
    BayList,
    BookedOut,
    BookIn,
    Findings,
    ImportedOut,
    ImportIn,
    JobOut,
    JobPage,
    Kind,
    Number,
    ProductOut,
    ProductPage,
    SetupPage,
    SheetPage,
    Stage,
    TriedOut,
)
from jobs.errors import Refused
from jobs.models import InstallSheet
from jobs.plan.document import checked, findings_of, plan_of, written
from jobs.reads import listed
from jobs.setups import exchange
from jobs.sheet.papers import receipt_of
from shop.catalogue.import_file import import_rows
from shop.import_plan import Choice, ImportRefused, State
from shop.scopes import Scope
from shop.services import api_writes
from shop.services.api_writes import Made
from shop.typed import LARGEST
from wiring.findings import Finding

router = Router()

Cursor = Annotated[
    str | None, Query(max_length=19, pattern="^[0-9]+$", description="`next` of the page before")
]
Key = Annotated[int, Field(ge=1, le=LARGEST)]
Repeat = Annotated[
    str,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=api_writes.MOST_LETTERS,
        pattern="^[!-~]+$",
        description="Made anew for each thing to do: a repeat with the same key changes nothing",
    ),
]

JSON: Final = "application/json"
PLAN: Final = {"content": {JSON: {"schema": {"$ref": "#/components/schemas/Plan"}}}}


def _needs(*scopes: Scope, query: Sequence[str] = (), **more: Any) -> dict[str, Any]:
    """What opens an operation, looked at before anything else of the request, and what the
    description says of it beside its types. `query` is all that may be asked after the ?: with a
    misspelled filter everything would be told."""

    def may(request: Asked) -> bool:
        need(request, *scopes)
        if unknown := sorted(set(request.GET) - set(query)):
            errors = [{"where": f"query.{name[:80]}", "says": "Unknown."} for name in unknown]
            raise Problem(422, "Leave out what is named in errors.", errors)
        return True

    said = {"security": [{"token": [str(scope) for scope in scopes]}], **more}
    return {"auth": may, "openapi_extra": said}


def _answers(kind: str, **schema: Any) -> dict[str, Any]:
    content = {kind: {"schema": schema or {"type": "object"}}}
    return {"responses": {200: {"description": "OK", "content": content}}}


def _json(data: bytes) -> HttpResponse:
    return HttpResponse(data, content_type=JSON)


def _page(
    rows: Any, key: str, cursor: str | None, tell: Callable[[Any], dict[str, Any]]
) -> dict[str, Any]:
    items, follows = listed.page_of(rows, key, cursor_of(cursor))
    return {
        "items": [tell(row) for row in items],
        "next": None if follows is None else str(follows),
    }


def _write(request: Asked, key: str, write: Callable[[], Made]) -> HttpResponse:
    """Do it once for the key; a repeat is answered as the first time was."""
    asked = f"{request.method} {request.get_full_path()}\n".encode() + request.body
    try:
        written = api_writes.once(request.token, key, asked, write)
    except api_writes.OtherRequest:
        raise Problem(
            422, "This Idempotency-Key was used for another request: make a new one for this."
        ) from None
    answer = HttpResponse(written.answer, status=written.status, content_type=JSON)
    answer["Idempotency-Replayed"] = "true" if written.repeated else "false"
    return answer


def _findings(findings: Sequence[Finding]) -> HttpResponse:
    return _json(msgspec.json.encode({"findings": findings}))


# Jobs ---------------------------------------------------------------------------------------------


@router.get(
    "/jobs",
    response=JobPage,
    **_needs(Scope.JOBS_READ, query=("stage", "changed_after", "cursor")),
    tags=["jobs"],
)
def jobs_list(
    request: Asked,
    stage: Stage | None = None,
    changed_after: Annotated[
        int | None, Query(ge=0, le=LARGEST, description="The `mark` of an earlier answer")
    ] = None,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Jobs, the newest first. A change may be told twice, none is left out."""
    customers, mark = sees_customers(request), listed.mark_now()
    rows = listed.jobs_listed(stage, changed_after).select_related("comeback_of")
    page = _page(rows, "number", cursor, lambda row: told.job(row, with_customer=customers))
    return {**page, "mark": mark}


@router.get("/jobs/{int:number}", response=JobOut, **_needs(Scope.JOBS_READ), tags=["jobs"])
def jobs_one(request: Asked, number: Number) -> dict[str, Any]:
    """One job."""
    return told.job(job_of(number), with_customer=sees_customers(request))


@router.post("/jobs", response={201: BookedOut}, **_needs(Scope.JOBS_BOOK), tags=["jobs"])
def jobs_book(request: Asked, given: Annotated[BookIn, Body()], key: Repeat) -> HttpResponse:
    """Book a job. 409 where the bay is taken, or where somebody must say yes first."""

    def write() -> Made:
        job = booked(given, request.token.made_by)
        answer = {"number": job.number, "url": request.build_absolute_uri(job.get_absolute_url())}
        return Made(201, json.dumps(answer), {"booked": str(job)})

    return _write(request, key, write)


@router.get("/bays", response=BayList, **_needs(Scope.JOBS_READ), tags=["jobs"])
def bays_list(request: Asked) -> dict[str, Any]:
    """The bays in use, which a booking names."""
    return {"items": [{"id": bay.pk, "name": bay.name} for bay in listed.bays_in_use()]}


# Plans --------------------------------------------------------------------------------------------


@router.get(
    "/jobs/{int:number}/plan",
    **_needs(Scope.PLANS_READ, responses={200: {"description": "The plan document", **PLAN}}),
    tags=["plans"],
)
def plans_one(request: Asked, number: Number) -> HttpResponse:
    """The plan of a job, as `python -m wiring check` reads it."""
    return _json(written(plan_of(job_of(number))))


@router.get(
    "/jobs/{int:number}/findings",
    response=Findings,
    **_needs(Scope.PLANS_READ),
    tags=["plans"],
)
def plans_findings(request: Asked, number: Number) -> HttpResponse:
    """What the rules say of a job, the worst first: of its plan, and of what stands in no plan."""
    return _findings(findings_of(job_of(number)))


@router.post(
    "/plans/check",
    response=Findings,
    **_needs(Scope.PLANS_CHECK, requestBody={"required": True, **PLAN}),
    tags=["plans"],
)
def plans_check(request: Asked) -> HttpResponse:
    """What the rules say of the plan that is sent; nothing is kept."""
    try:
        return _findings(checked(request.body))
    except Refused as refused:
        raise Problem(422, str(refused)) from None


# Setups -------------------------------------------------------------------------------------------


@router.get(
    "/setups", response=SetupPage, **_needs(Scope.SETUPS_READ, query=("cursor",)), tags=["setups"]
)
def setups_list(request: Asked, cursor: Cursor = None) -> dict[str, Any]:
    """Saved setups, the newest first."""
    return _page(listed.setups_listed(), "pk", cursor, told.setup)


@router.get(
    "/setups/{int:setup}",
    **_needs(Scope.SETUPS_READ, **_answers(JSON)),
    tags=["setups"],
)
def setups_one(request: Asked, setup: Key) -> HttpResponse:
    """A saved setup in the signed format in which shops exchange them."""
    row = found(listed.setups_listed(), "setup", pk=setup)
    return _json(exchange.export_file([row]))


# Sheets -------------------------------------------------------------------------------------------


@router.get(
    "/sheets",
    response=SheetPage,
    **_needs(Scope.SHEETS_READ, query=("job", "cursor")),
    tags=["sheets"],
)
def sheets_list(request: Asked, job: Number | None = None, cursor: Cursor = None) -> dict[str, Any]:
    """Signed sheets, the newest first; of one job or of all."""
    rows = listed.sheets_listed()
    return _page(rows if job is None else rows.filter(job=job_of(job)), "pk", cursor, told.sheet)


def _sheet(number: int, revision: int) -> InstallSheet:
    rows = InstallSheet.objects.select_related("job", "receipt")
    return found(rows, "sheet", job=job_of(number), revision=revision)


WHOLE: Final = (Scope.SHEETS_READ, Scope.CUSTOMERS_READ)
Revision = Annotated[int, Field(ge=1, le=32_767)]


@router.get(
    "/jobs/{int:number}/sheets/{int:revision}",
    **_needs(*WHOLE, **_answers(JSON)),
    tags=["sheets"],
)
def sheets_one(request: Asked, number: Number, revision: Revision) -> HttpResponse:
    """The document of a signed sheet, as it was frozen."""
    return _json(msgspec.json.encode(_sheet(number, revision).document))


@router.get(
    "/jobs/{int:number}/sheets/{int:revision}/pdf",
    **_needs(*WHOLE, **_answers("application/pdf", type="string", format="binary")),
    tags=["sheets"],
)
def sheets_pdf(request: Asked, number: Number, revision: Revision) -> HttpResponse:
    """The signed PDF, with the customer's signature once there is one."""
    sheet = _sheet(number, revision)
    newest = receipt_of(sheet) or sheet
    return HttpResponse(bytes(newest.pdf), content_type="application/pdf")


# Catalogue ----------------------------------------------------------------------------------------


@router.get(
    "/products",
    response=ProductPage,
    **_needs(Scope.CATALOGUE_READ, query=("kind", "cursor")),
    tags=["products"],
)
def products_list(
    request: Asked,
    kind: Kind | None = None,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """The catalogue, the newest first, without what the shop pays."""
    return _page(listed.products_listed(kind), "pk", cursor, told.product)


@router.get(
    "/products/{int:product}",
    response=ProductOut,
    **_needs(Scope.CATALOGUE_READ),
    tags=["products"],
)
def products_one(request: Asked, product: Key) -> dict[str, Any]:
    """One product."""
    return told.product(found(listed.products_listed(None), "product", pk=product))


def _import(request: Asked, given: ImportIn, *, write: bool) -> dict[str, Any]:
    try:
        plan = import_rows(
            given.rows,
            request.token.made_by,
            kind=given.kind or "",
            alike=Choice(given.alike),
            write=write,
        )
    except ImportRefused as refused:
        raise Problem(422, str(refused)) from None
    if write and (wrong := plan.of(State.WRONG)):
        errors = [
            {"where": f"rows.{one.number - 2}", "says": said}
            for one in wrong
            for said in one.errors
        ]
        raise Problem(422, "Nothing was imported: put right what is named in errors.", errors)
    rows = [
        {
            "row": one.number - 2,
            "title": one.title,
            "state": str(one.state),
            "says": [*one.errors, *one.notes],
        }
        for one in plan.outcomes
    ]
    added = sum(
        one.writes and one.instance is not None and one.record is None for one in plan.outcomes
    )
    return {"added": added, "changed": plan.writes - added, "rows": rows}


@router.post(
    "/products/import",
    response=ImportedOut,
    **_needs(Scope.CATALOGUE_WRITE),
    tags=["products"],
)
def products_import(
    request: Asked, given: Annotated[ImportIn, Body()], key: Repeat
) -> HttpResponse:
    """Bring products in, all rows or none, by the rules of the product form."""

    def write() -> Made:
        told_rows = _import(request, given, write=True)
        counts = {name: told_rows[name] for name in ("added", "changed")}
        return Made(200, json.dumps(told_rows), counts)

    return _write(request, key, write)


@router.post(
    "/products/import/try",
    response=TriedOut,
    **_needs(Scope.CATALOGUE_WRITE),
    tags=["products"],
)
def products_try(request: Asked, given: Annotated[ImportIn, Body()]) -> dict[str, Any]:
    """What an import of these rows would do; nothing is written."""
    return {"rows": _import(request, given, write=False)["rows"]}
