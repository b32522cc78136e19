"""Customers from a list: choose the file, match its columns, look through it, import it."""

from functools import partial

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow
from shop.catalogue.export import CONTENT_TYPES, CSV
from shop.catalogue.import_forms import UploadForm
from shop.catalogue.spreadsheets import csv_bytes
from shop.customer_file import (
    LABELS,
    CustomerColumns,
    apply_import,
    guesses,
    may_be_taken_back,
    plan_import,
    take_back,
)
from shop.http import Request
from shop.models import CatalogueUpload, ShopEvent
from shop.roles import Role
from shop.views.import_pages import FilePages, Words

CUSTOMERS = FilePages(
    CatalogueUpload.CUSTOMERS,
    start="customer_import",
    mapping="customer_import_map",
    preview="customer_import_preview",
    apply="customer_import_apply",
    back="customer_list",
    words=Words(
        alike="Look like a customer you have",
        another="Add them as another customer",
        update="Fill in what {} lacks",
        stand="are in the book as they are",
        back="Back to the customers",
    ),
    page="customer",
    plan=plan_import,
    may_leave_wrong=True,
)
TEMPLATE = ("name", "phone", "email", "street", "postcode", "town", "note")
MOST_BACK = 3


@allow(Role.MANAGER)
def customer_import(request: Request) -> HttpResponse:
    """Choose a list; the newest ones can be taken back."""
    posted = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if posted else UploadForm()
    if posted and form.is_valid():
        upload = CUSTOMERS.keep(request, form, columns=guesses(form.sheet.headings))
        return redirect(CUSTOMERS.mapping, upload.pk)
    context = {
        "form": form,
        "waiting": CUSTOMERS.waiting(request),
        "imported": may_be_taken_back(MOST_BACK),
    }
    return render(request, "customers/import.html", context, status=422 if posted else 200)


@allow(Role.MANAGER)
def customer_import_map(request: Request, pk: int) -> HttpResponse:
    """Say what each column stands for."""
    return CUSTOMERS.map(request, pk, CustomerColumns)


@allow(Role.MANAGER)
@require_safe
def customer_import_preview(request: Request, pk: int) -> HttpResponse:
    """What the list would do, row by row. Nothing is written."""
    return CUSTOMERS.look_through(request, pk)


@allow(Role.MANAGER)
@require_POST
def customer_import_apply(request: Request, pk: int) -> HttpResponse:
    """Import the list as it was shown, or nothing."""
    write = partial(apply_import, without_wrong=request.POST.get("without_wrong") == "on")
    said = (
        "{file} is imported: {added} added, {changed} filled in. It can be taken back under "
        "Customers from a list."
    )
    return CUSTOMERS.bring_in(request, pk, write, said)


@allow(Role.MANAGER)
@require_POST
def customer_import_take_back(request: Request, pk: int) -> HttpResponse:
    """Take back what a list brought, save what has been used or changed since."""
    try:
        gone, stay = take_back(pk, request.user)
    except ShopEvent.DoesNotExist:
        raise Http404 from None
    stayed = f"; {stay} stay, used or changed since" if stay else ""
    messages.success(
        request,
        gettext("Taken back: %(gone)s as before the list%(stayed)s.")
        % {"gone": gone, "stayed": stayed},
    )
    return redirect(CUSTOMERS.start)


@allow(Role.MANAGER)
@require_safe
def customer_template(request: Request) -> HttpResponse:
    """An empty list to fill in, as CSV."""
    data = csv_bytes([[LABELS[name] for name in TEMPLATE]])
    headers = {"Content-Disposition": 'attachment; filename="customers.csv"'}
    return HttpResponse(data, content_type=CONTENT_TYPES[CSV], headers=headers)
