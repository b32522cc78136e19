"""Customers as records: known already while typing, merged, told, erased."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.services.customers import alike, erase, export, known_as, merge, unmerge, what_stays
from shop.access import allow
from shop.http import Request
from shop.models import Customer
from shop.roles import DESK, Role
from shop.services import sign_in
from shop.typed import line, whole

MOST_FOUND = 12


@allow(*DESK)
@require_safe
def customers_known(request: Request) -> HttpResponse:
    """Who is in the book already, while a new customer is typed."""
    asked = request.GET
    booking = "customer-name" in asked or "customer-phone" in asked
    prefix = "customer-" if booking else ""
    name, phone = (line(asked.get(f"{prefix}{one}")) for one in ("name", "phone"))
    context = {"found": known_as(name, phone), "booking": booking}
    return render(request, "customers/known_now.html", context)


@allow(*DESK)
def customer_merge(request: Request, pk: int) -> HttpResponse:
    """Find the other record of a customer, and merge it into this one."""
    customer = get_object_or_404(Customer, pk=pk)
    refused: list[str] = []
    if request.method == "POST":
        try:
            merge(pk, whole(request.POST.get("other")) or 0, request.user)
        except Refused as error:
            refused = error.reasons
        else:
            messages.success(request, gettext("Merged. It can be taken back on this page."))
            return redirect("customer", pk)
    text = line(request.GET.get("q"))
    found = Customer.objects.listed(text).exclude(pk=pk)[:MOST_FOUND] if text else alike(customer)
    context: dict[str, Any] = {"customer": customer, "q": text, "found": found, "refused": refused}
    return render(request, "customers/merge.html", context, status=422 if refused else 200)


@allow(*DESK)
@require_POST
def customer_unmerge(request: Request, pk: int) -> HttpResponse:
    """Take a merge back."""
    get_object_or_404(Customer, pk=pk)
    try:
        unmerge(pk, request.user)
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(
            request, gettext("Two records again: each has what it had, but what was signed.")
        )
    return redirect("customer", pk)


@allow(Role.MANAGER, again=True)
@require_safe
def customer_data(request: Request, pk: int) -> HttpResponse:
    """Everything the book holds about a customer, as a ZIP file."""
    customer = get_object_or_404(Customer, pk=pk)
    name = f"customer-{customer.pk}.zip"
    sign_in.log_export(request, name)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return HttpResponse(export(customer), content_type="application/zip", headers=headers)


@allow(Role.MANAGER, again=True)
def customer_erase(request: Request, pk: int) -> HttpResponse:
    """Say what is erased and what stays; erase."""
    customer = get_object_or_404(Customer, pk=pk)
    refused: list[str] = []
    if request.method == "POST":
        try:
            erased = erase(pk, request.user)
        except Refused as error:
            refused = error.reasons
        else:
            messages.success(
                request, gettext("Erased: the book says “%(erased)s” now.") % {"erased": erased}
            )
            return redirect("customer", pk)
    context = {"customer": customer, "stays": what_stays(customer), "refused": refused}
    return render(request, "customers/erase.html", context, status=422 if refused else 200)
