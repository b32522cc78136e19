"""The manager's review: the queue, the whole sheet on one page, send back or sign."""

import hashlib
from typing import Any, Final

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.review import ReasonForm, SendBackForm
from jobs.models import InstallSheet, Job
from jobs.plan.document import findings_of
from jobs.services.send_backs import said_of, send_back, standing
from jobs.services.work_done import own_in_review
from jobs.sheet import document as sheet_document
from jobs.sheet.sign_off import NOT_OWN, give_reason, sign_off_job
from jobs.sheet.values import sheet_values
from jobs.views.photos import draft_photos
from shop import branches
from shop.access import allow
from shop.forms.proof import ProofForm
from shop.http import Request
from shop.roles import Role
from shop.series import code_of
from shop.typed import token

RECENT = 8


def finding_key(fingerprint: str) -> str:
    """A finding in an address: short, and the same while the finding is the same."""
    return hashlib.sha256(fingerprint.encode()).hexdigest()[:16]


@allow(Role.MANAGER)
def review_queue(request: Request) -> HttpResponse:
    """Jobs that wait for review, the longest waiting first."""
    recent = (
        InstallSheet.objects.filter(branches.shown("job__bay__branch"))
        .defer("document", "pdf")
        .select_related("job__vehicle__vehicle_model", "signed_by")
        .order_by("-signed_at")[:RECENT]
    )
    context = {
        "jobs": Job.objects.for_review(),
        "corrections": Job.objects.under_correction(),
        "recent": recent,
    }
    return render(request, "review/queue.html", context)


@allow(Role.MANAGER)
@require_safe
def review_open(request: Request, number: int) -> HttpResponse:
    """How many findings of a waiting sheet are open, and the worst of them by name: asked for by
    the queue, row by row, so that the queue itself stands at once."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    findings = findings_of(job)
    stops = [one for one in findings if one.severity == "stop"]
    reasoned = set(job.finding_reasons.values_list("fingerprint", flat=True))
    cautions = [
        one for one in findings if one.severity == "caution" and one.fingerprint not in reasoned
    ]
    worst = next(iter([*stops, *cautions]), None)
    context = {"job": job, "stops": stops, "cautions": cautions, "worst": worst}
    return render(request, "review/open.html", context)


def _sheet_context(job: Job, document: dict[str, Any]) -> dict[str, Any]:
    values = sheet_values(document, photo_sources=draft_photos(job, document))
    open_job = job.in_review
    for finding in values["findings"]:
        finding["key"] = finding_key(finding["fingerprint"])
        finding["ask"] = open_job and finding["severity"] == "caution"
        finding["open"] = finding["severity"] == "stop" or (
            finding["severity"] == "caution" and not finding["reason"]
        )
    values["findings"].sort(key=lambda finding: not finding["open"])
    stops = sum(one["severity"] == "stop" for one in values["findings"])
    unreasoned = sum(one["open"] for one in values["findings"]) - stops
    return {
        **values,
        "job": job,
        "open_job": open_job,
        "stops": stops,
        "unreasoned": unreasoned,
        "first_open": next((one["key"] for one in values["findings"] if one["open"]), ""),
    }


_JUMPS: Final[tuple[tuple[str, str], ...]] = (
    ("review-findings", "Findings"),
    ("picture", "Speakers"),
    ("parts", "Parts"),
    ("channels", "Channels"),
    ("power", "Power"),
    ("readings", "Readings"),
    ("functions", "Functions"),
    ("settings", "Settings"),
    ("arrival", "On arrival"),
    ("sheet-photos", "Photos"),
    ("signatures", "Signatures"),
)
"""Sections of the page by their id; the first ten have a figure as their key."""

_KEYS: Final = "1234567890"


def _jumps(context: dict[str, Any]) -> list[tuple[str, str, str]]:
    """The sections that stand on the page, each with the key that leads to it."""
    there = [one for one in _JUMPS if one[0] != "sheet-photos" or context["photos"]["rows"]]
    keys = [*_KEYS, *[""] * len(there)]
    return [(name, label, key) for (name, label), key in zip(there, keys, strict=False)]


def _standing(job: Job) -> tuple[list[tuple[str, str, bool]], dict[str, str]]:
    """What keeps the sheet from being signed, for the form, and the fingerprint of each key."""
    standing_findings = standing(job)
    listed = [
        (finding_key(one.fingerprint), said_of(one), one.severity == "stop")
        for one in standing_findings.values()
    ]
    return listed, {finding_key(fingerprint): fingerprint for fingerprint in standing_findings}


def _page(
    request: Request,
    number: int,
    *,
    refused: list[str] | None = None,
    form: SendBackForm | None = None,
    sign_form: ProofForm | None = None,
    status: int = 200,
) -> HttpResponse:
    try:
        job = sheet_document.load(number=number)
    except Job.DoesNotExist:
        raise Http404(
            gettext("There is no job %(number)s.") % {"number": code_of(number)}
        ) from None
    context = _sheet_context(job, sheet_document.draft(job))
    own = own_in_review(job, request.user) if job.in_review else []
    context |= {
        "send_backs": job.send_backs.select_related("by", "done_by"),
        "send_back_form": form or SendBackForm(standing=_standing(job)[0]),
        "sign_form": sign_form or ProofForm(request=request),
        "refused": refused or [],
        "own_review": own,
        "own_refused": NOT_OWN if own and not request.shop.own_review_allowed else "",
        "jumps": _jumps(context),
        "findings_above": True,
        "photos_open": True,
        "changes_above": True,
    }
    return render(request, "review/page.html", context, status=status)


@allow(Role.MANAGER)
def review(request: Request, number: int) -> HttpResponse:
    """The whole sheet on one page, open findings first."""
    return _page(request, number)


@allow(Role.MANAGER)
@require_POST
def review_sign(request: Request, number: int) -> HttpResponse:
    """Sign: the install sheet is frozen and the job is signed off, by whoever shows again that it
    is them."""
    job = get_object_or_404(Job, number=number)
    form = ProofForm(request.POST, request=request)
    if not form.is_valid():
        return _page(request, number, sign_form=form, status=422)
    try:
        sheet = sign_off_job(job.pk, request.user)
    except Refused as refused:
        return _page(request, number, refused=refused.reasons, status=422)
    messages.success(
        request, gettext("Install sheet %(sheet)s is signed.") % {"sheet": sheet.number}
    )
    return redirect("sheet", number, sheet.revision)


@allow(Role.MANAGER)
@require_POST
def review_send_back(request: Request, number: int) -> HttpResponse:
    """Send the sheet back to the bay, each reason a point for the technician."""
    job = get_object_or_404(Job, number=number)
    listed, fingerprints = _standing(job)
    form = SendBackForm(request.POST, standing=listed)
    if not form.is_valid():
        return _page(request, number, form=form, status=422)
    chosen = [fingerprints[key] for key in form.cleaned_data.get("findings", ())]
    try:
        send_back(job.pk, request.user, form.cleaned_data["reason"], chosen)
    except Refused as refused:
        return _page(request, number, refused=refused.reasons, form=form, status=422)
    where = "open again" if job.correction else "back in the bay"
    messages.success(
        request,
        gettext("%(job)s is %(where)s, with your reasons on its sheet.")
        % {"job": job, "where": where},
    )
    return redirect("review_queue")


@allow(Role.MANAGER)
@require_POST
def finding_reason(request: Request, number: int, key: str) -> HttpResponse:
    """Save the reason of one caution from the review; answers with the finding again."""
    job = get_object_or_404(Job, number=number)
    fingerprint = next(
        (f.fingerprint for f in findings_of(job) if finding_key(f.fingerprint) == key), None
    )
    if fingerprint is None:
        raise Http404(gettext("This finding is gone."))
    form = ReasonForm(request.POST)
    errors: list[str] = []
    if form.is_valid():
        try:
            give_reason(
                job.pk,
                fingerprint,
                form.cleaned_data["reason"],
                request.user,
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            errors = refused.reasons
    else:
        errors = [str(line) for line in form.errors["reason"]]
    fresh = sheet_document.load(number=number)
    context = _sheet_context(fresh, sheet_document.draft(fresh))
    context["finding"] = next(one for one in context["findings"] if one["key"] == key)
    if errors:
        context["finding"] = {
            **context["finding"],
            "said": errors,
            "reason": request.POST["reason"],
        }
    if not request.headers.get("HX-Request"):
        return redirect("review", number)
    return render(request, "review/reason_saved.html", context, status=422 if errors else 200)
