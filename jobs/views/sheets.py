"""Signed install sheets as a page and as PDF, the draft preview, and opening a correction."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseNotModified
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.cache import patch_cache_control
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.forms.review import CorrectionForm
from jobs.lifecycle import MOVES
from jobs.models import InstallSheet, Job, Photo
from jobs.record_key import KeyLost
from jobs.services.moves import move
from jobs.sheet import document as sheet_document, render as pdf_render
from jobs.sheet.papers import SHEET_PAPERS, receipt_of, receipt_values
from jobs.sheet.photos import MOST_PRINTED, is_as_signed, printed
from jobs.sheet.record_check import SheetCheck, check_sheet
from jobs.sheet.values import sheet_values
from jobs.views.photos import printed_answer
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH, DESK, Role
from shop.series import code_of


def _sheet(number: int, revision: int) -> InstallSheet:
    return get_object_or_404(
        InstallSheet.objects.select_related(
            "job__customer", "job__vehicle__vehicle_model", "signed_by", "corrects", "receipt"
        ),
        job__number=number,
        revision=revision,
    )


def _check(sheet: InstallSheet) -> SheetCheck:
    """The sheet compared with its seals; a lost key is said where the answer would stand."""
    try:
        return check_sheet(sheet)
    except KeyLost as lost:
        return SheetCheck(lost.reasons)


def _newest(sheet: InstallSheet) -> tuple[bytes, str]:
    """The PDF to hand out, with the customer's signature once there is one, and its SHA-256."""
    newest = receipt_of(sheet) or sheet
    return bytes(newest.pdf), newest.pdf_sha256


def _photo_sources(sheet: InstallSheet) -> dict[int, str]:
    """Where the pictures of a signed sheet are found; left out where one is not as signed."""
    listed = sheet.document.get("photos", ())[:MOST_PRINTED]
    rows = Photo.objects.in_bulk([one["id"] for one in listed])
    return {
        one["id"]: reverse("sheet_photo", args=[sheet.job.number, sheet.revision, one["sha256"]])
        for one in listed
        if is_as_signed(one, rows.get(one["id"]))
    }


@allow(*Role, anywhere=True)
def sheet_photo(request: Request, number: int, revision: int, digest: str) -> HttpResponse:
    """A picture of a signed sheet, with the marks it had then, by the SHA-256 that was signed."""
    sheet = _sheet(number, revision)
    for one in sheet.document.get("photos", ()):
        if one["sha256"] == digest:
            data = printed(one, Photo.objects.filter(pk=one["id"]).first())
            if data is not None:
                return printed_answer(data)
    raise Http404(gettext("This picture is not the one that was signed: compare it with a backup."))


@allow(*Role, anywhere=True)
def sheet(request: Request, number: int, revision: int) -> HttpResponse:
    """A signed sheet, from its frozen record."""
    sheet = _sheet(number, revision)
    return _page(request, sheet)


def _page(
    request: Request,
    sheet: InstallSheet,
    *,
    form: CorrectionForm | None = None,
    refused: list[str] | None = None,
    status: int = 200,
) -> HttpResponse:
    pdf, _ = _newest(sheet)
    roles = frozenset() if sheet.job.elsewhere else request.user.roles
    later = sheet.job.sheets.filter(corrects=sheet).only("revision", "job").first()
    correct = MOVES["correct"]
    context = {
        **sheet_values(sheet.document, receipt_values(sheet), _photo_sources(sheet)),
        "digest": sheet.document_sha256,
        "row": sheet,
        "job": sheet.job,
        "check": _check(sheet),
        "size_kb": round(len(pdf) / 1000),
        "later": later,
        "may_correct": later is None
        and sheet.job.stage in correct.begins
        and sheet.job.correction in correct.during
        and not roles.isdisjoint(correct.roles),
        "may_write": not roles.isdisjoint(DESK),
        "may_save_setup": not roles.isdisjoint(BENCH),
        "correction_form": form or CorrectionForm(request=request),
        "refused": refused or [],
    }
    return render(request, "sheets/page.html", context, status=status)


@allow(*Role, anywhere=True)
def sheet_pdf(request: Request, number: int, revision: int) -> HttpResponse:
    """The stored PDF; `?without=customer` gives the one from before the customer signed."""
    sheet = _sheet(number, revision)
    pdf, digest = _newest(sheet)
    if request.GET.get("without") == "customer":
        pdf, digest = bytes(sheet.pdf), sheet.pdf_sha256
    return _pdf(request, pdf, digest, SHEET_PAPERS["install"].file_name(sheet))


@allow(*Role, anywhere=True)
def customer_sheet_pdf(request: Request, number: int, revision: int) -> HttpResponse:
    """The customer's page of a signed sheet, drawn from its frozen record."""
    sheet = _sheet(number, revision)
    return _drawn(request, sheet, "customer", f"customer-{_newest(sheet)[1]}")


@allow(*Role, anywhere=True)
def wiring_sheet_pdf(request: Request, number: int, revision: int) -> HttpResponse:
    """The wiring sheet of a signed sheet, drawn from its frozen record."""
    sheet = _sheet(number, revision)
    return _drawn(request, sheet, "wiring", f"wiring-{sheet.pdf_sha256}")


def _drawn(request: Request, sheet: InstallSheet, name: str, digest: str) -> HttpResponse:
    """A paper that is made when it is asked for."""
    if _has(request, digest):
        return HttpResponseNotModified()
    try:
        pdf = SHEET_PAPERS[name].pdf(sheet)
    except KeyLost as lost:
        return _page(request, sheet, refused=list(lost.reasons), status=409)
    return _pdf(request, pdf, digest, SHEET_PAPERS[name].file_name(sheet))


def _has(request: Request, digest: str) -> bool:
    """Whether the browser has this file already: it need not be drawn again."""
    return request.headers.get("If-None-Match") == f'"{digest}"'


def _pdf(request: Request, pdf: bytes, digest: str, name: str) -> HttpResponse:
    response = HttpResponse(pdf, content_type="application/pdf")
    disposition = "attachment" if "download" in request.GET else "inline"
    response["Content-Disposition"] = f'{disposition}; filename="{name}"'
    response["ETag"] = f'"{digest}"'
    patch_cache_control(response, private=True, no_cache=True)
    return response


def _draft(number: int) -> dict[str, Any]:
    try:
        job = sheet_document.load(number=number)
    except Job.DoesNotExist:
        raise Http404(
            gettext("There is no job %(number)s.") % {"number": code_of(number)}
        ) from None
    return sheet_document.draft(job)


@allow(*BENCH)
def sheet_preview(request: Request, number: int) -> HttpResponse:
    """The sheet as it would be signed now: marked as a draft, stored nowhere."""
    document = _draft(number)
    digest = sheet_document.sha256_of(document)
    if _has(request, digest):
        return HttpResponseNotModified()
    return _pdf(request, pdf_render.pdf(document), digest, f"{code_of(number)}-draft.pdf")


@allow_any_staff
def wiring_preview(request: Request, number: int) -> HttpResponse:
    """The wiring sheet as the job stands: marked as a draft, stored nowhere."""
    document = _draft(number)
    digest = f"wiring-{sheet_document.sha256_of(document)}"
    if _has(request, digest):
        return HttpResponseNotModified()
    return _pdf(
        request, pdf_render.wiring_draft(document), digest, f"{code_of(number)}-wiring-draft.pdf"
    )


@allow(Role.MANAGER)
@require_POST
def sheet_correct(request: Request, number: int, revision: int) -> HttpResponse:
    """Open a correction: the sheet takes entries again, and the next revision names this one."""
    sheet = _sheet(number, revision)
    form = CorrectionForm(request.POST, request=request)
    if not form.is_valid():
        return _page(request, sheet, form=form, status=422)
    try:
        move(sheet.job_id, "correct", request.user, form.cleaned_data["reason"])
    except Refused as refused:
        return _page(request, sheet, form=form, refused=refused.reasons, status=422)
    messages.success(
        request,
        gettext("The sheet of %(job)s is open again. %(sheet)s stays as it was signed.")
        % {"job": sheet.job, "sheet": sheet.number},
    )
    return redirect(sheet.job)
