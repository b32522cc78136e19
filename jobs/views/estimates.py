"""The estimate of a job: lines, the customer's approval, what was paid, and its paper."""

from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import ChangedMeanwhile, Refused
from jobs.forms.estimates import ApprovalForm, LineForm, PaymentForm
from jobs.models import EstimateLine, Job, LineKind
from jobs.paper import estimate_pdf
from jobs.services.estimates import (
    Estimate,
    add_line,
    approve,
    change_line,
    fill,
    note_payment,
    remove_line,
)
from shop.access import allow
from shop.http import Request
from shop.models import Product
from shop.money import ROUNDING_SAID
from shop.roles import DESK
from shop.series import code_of
from shop.typed import line as plain_line, row_key, row_version, token


def _job(number: int) -> Job:
    return get_object_or_404(Job.objects.with_names().select_related("work_kind"), number=number)


def _page(request: Request, job: Job, status: int = 200, **bound: Any) -> HttpResponse:
    estimate = Estimate(job, request.shop)
    price = request.shop.labour_price
    context = {
        "job": job,
        "estimate": estimate,
        "currency": estimate.currency,
        "with_tax": request.shop.prices_with_tax,
        "rounding": ROUNDING_SAID,
        "approvals": job.estimate_approvals.select_related("by"),
        "line_form": LineForm(initial={"price": price}, prefix="new"),
        "lines": [
            (one, LineForm(instance=one.row, prefix=f"l{one.row.pk}")) for one in estimate.lines
        ],
        "approval_form": ApprovalForm(),
        "payment_form": PaymentForm(prefix="pay"),
        "name_value": job.customer.name,
        **bound,
    }
    return render(request, "estimate/page.html", context, status=status)


@allow(*DESK)
@require_safe
def estimate(request: Request, number: int) -> HttpResponse:
    """The estimate as it stands."""
    return _page(request, _job(number))


@allow(*DESK)
@require_POST
def estimate_fill(request: Request, number: int) -> HttpResponse:
    """Lines for the job's parts and its usual hours."""
    added = fill(_job(number).number, request.user)
    words = gettext("The parts and the usual hours stand in the estimate.")
    messages.success(request, words if added else gettext("Nothing to add."))
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def line_add(request: Request, number: int) -> HttpResponse:
    """A new line, typed or from the catalogue."""
    job = _job(number)
    key = token(request.POST.get("key"))
    product = Product.objects.offered().filter(pk=row_key(request.POST.get("product")) or 0).first()
    try:
        if product is not None:
            price = product.price if product.price is not None else Decimal(0)
            facts = {"kind": LineKind.PART, "text": str(product), "product": product}
            facts["tax_rate"] = product.tax_rate
            values = {**facts, "quantity": Decimal(1), "price": price}
            add_line(number, values, actor=request.user, key=key)
            if request.htmx:
                return HttpResponse(status=204, headers={"HX-Redirect": request.path[:-4]})
        else:
            form = LineForm(request.POST, prefix="new")
            if not form.is_valid():
                return _page(request, job, 422, line_form=form)
            add_line(number, form.values(), actor=request.user, key=key)
    except Refused as refused:
        return _page(request, job, 422, refused=refused.reasons)
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def line_save(request: Request, number: int, pk: int) -> HttpResponse:
    """Change a line; one that two people changed shows both."""
    job = _job(number)
    row = get_object_or_404(EstimateLine, pk=pk, job=job)
    form = LineForm(request.POST, instance=row, prefix=f"l{pk}")
    if not form.is_valid():
        return _page(request, job, 422, open_line=pk, open_form=form)
    values = form.values()
    saved = change_line(
        number, pk, values, actor=request.user, version=row_version(request.POST.get("version"))
    )
    if saved.clashes:
        refused = [
            f"{clash.actor} set {clash.field} to {clash.theirs} meanwhile, so yours, {clash.mine}, "
            "was not written: look at the line once more."
            for clash in saved.clashes
        ]
        return _page(request, _job(number), 422, refused=refused)
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def line_take(request: Request, number: int, pk: int) -> HttpResponse:
    """The customer takes an option, or leaves it."""
    row = get_object_or_404(EstimateLine, pk=pk, job__number=number, optional=True)
    change_line(
        number,
        pk,
        {"taken": "taken" in request.POST},
        actor=request.user,
        version=row.version,
    )
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def line_remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a line out."""
    _job(number)
    remove_line(number, pk, request.user)
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def estimate_approve(request: Request, number: int) -> HttpResponse:
    """The customer approves what is shown: by hand at the counter, or on the phone."""
    job = _job(number)
    form = ApprovalForm(request.POST)
    typed = {
        "approval_form": form,
        "name_value": plain_line(request.POST.get("signature_name")),
        "signature_value": request.POST.get("signature", ""),
    }
    if not form.is_valid():
        return _page(request, job, 422, **typed)
    given = form.cleaned_data
    try:
        approval = approve(
            number,
            plain_line(request.POST.get("sha256")),
            given["how"],
            name=given["signature_name"],
            said_words=given["said"],
            signature=given["signature"],
            actor=request.user,
        )
    except ChangedMeanwhile as changed:
        return _page(request, job, 409, refused=changed.reasons, **typed)
    except Refused as refused:
        return _page(request, job, 422, refused=refused.reasons, **typed)
    messages.success(
        request, gettext("%(approval)s approved the estimate.") % {"approval": approval.name}
    )
    return redirect("estimate", number)


@allow(*DESK)
@require_POST
def payment_add(request: Request, number: int) -> HttpResponse:
    """Note a deposit, a payment, or money paid back."""
    job = _job(number)
    form = PaymentForm(request.POST, prefix="pay")
    if not form.is_valid():
        return _page(request, job, 422, payment_form=form)
    given = form.cleaned_data
    try:
        note_payment(
            number,
            given["kind"],
            given["amount"],
            given["how"],
            actor=request.user,
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        form.add_error("amount", " ".join(refused.reasons))
        return _page(request, job, 422, payment_form=form)
    return redirect("estimate", number)


@allow(*DESK)
@require_safe
def estimate_file(request: Request, number: int) -> HttpResponse:
    """The estimate on paper, as it stands."""
    job = _job(number)
    response = HttpResponse(estimate_pdf(Estimate(job)), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{code_of(number)}-estimate.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response
