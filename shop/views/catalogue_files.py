"""Products from a file and into one. A file is read once and waits, bound to who brought it."""

import msgspec
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow
from shop.catalogue.columns import guesses, likely_kind
from shop.catalogue.export import CONTENT_TYPES, CSV, XLSX, export_file, template_file
from shop.catalogue.import_file import (
    Choice,
    ImportPlan,
    ImportRefused,
    State,
    apply_import,
    plan_import,
)
from shop.catalogue.import_forms import ColumnsForm, UploadForm
from shop.catalogue.spreadsheets import Table
from shop.http import Request
from shop.models import CatalogueUpload, Product, ProductKind
from shop.roles import Role
from shop.services import sign_in
from shop.typed import whole

MOST_SHOWN = 200


@allow(Role.MANAGER)
def product_import(request: Request) -> HttpResponse:
    """Choose a file; templates and exports lie beside it."""
    posted = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if posted else UploadForm()
    if posted and form.is_valid():
        CatalogueUpload.objects.expired().delete()
        columns = guesses(form.sheet.headings)
        upload = CatalogueUpload.objects.create(
            by=request.user,
            file_name=form.cleaned_data["file"].name[:120],
            sheet=msgspec.to_builtins(form.sheet),
            columns=columns,
            kind=likely_kind(columns),
            decimal_comma=form.sheet.decimal_comma,
        )
        return redirect("product_import_map", upload.pk)
    context = {
        "form": form,
        "kinds": ProductKind.choices,
        "products": Product.objects.count(),
        "waiting": CatalogueUpload.objects.of(request.user).order_by("-uploaded_at")[:3],
    }
    return render(request, "catalogue/import.html", context, status=422 if posted else 200)


def _upload(request: Request, pk: int) -> CatalogueUpload | None:
    return CatalogueUpload.objects.of(request.user).filter(pk=pk).first()


def _gone(request: Request) -> HttpResponse:
    messages.warning(
        request,
        "That file is here no more: it is imported already, older than a day, or somebody "
        "else's. Choose it again.",
    )
    return redirect("product_import")


@allow(Role.MANAGER)
def product_import_map(request: Request, pk: int) -> HttpResponse:
    """Say which column is which figure."""
    upload = _upload(request, pk)
    if upload is None:
        return _gone(request)
    sheet = msgspec.convert(upload.sheet, Table)
    posted = request.method == "POST"
    form = ColumnsForm(request.POST if posted else None, upload=upload, sheet=sheet)
    if posted and form.is_valid():
        form.save(upload)
        return redirect("product_import_preview", upload.pk)
    context = {"form": form, "upload": upload, "count": len(sheet.rows)}
    return render(request, "catalogue/import_map.html", context, status=422 if posted else 200)


@allow(Role.MANAGER)
@require_safe
def product_import_preview(request: Request, pk: int) -> HttpResponse:
    """What the file would do, row by row. Nothing is written."""
    upload = _upload(request, pk)
    if upload is None:
        return _gone(request)
    return _preview(request, upload, plan_import(upload))


def _preview(
    request: Request, upload: CatalogueUpload, plan: ImportPlan, refused: str = ""
) -> HttpResponse:
    sections = [
        (state, title, icon, plan.of(state)[:MOST_SHOWN], plan.counts[state])
        for state, title, icon in (
            (State.WRONG, "Wrong: mend these first", "stop"),
            (State.ALIKE, "Look like a product you have", "caution"),
            (State.CHANGED, "Changed", "edit"),
            (State.NEW, "New", "plus"),
            (State.SAME, "The same already", "done"),
        )
        if plan.counts[state]
    ]
    context = {
        "upload": upload,
        "sections": sections,
        "wrong": plan.counts[State.WRONG],
        "alike": plan.counts[State.ALIKE],
        "writes": plan.writes,
        "total": len(plan.outcomes),
        "digest": plan.digest,
        "refused": refused,
    }
    status = 409 if refused else 200
    return render(request, "catalogue/import_preview.html", context, status=status)


@allow(Role.MANAGER)
@require_POST
def product_import_apply(request: Request, pk: int) -> HttpResponse:
    """Import the whole file as it was shown, or nothing."""
    upload = _upload(request, pk)
    if upload is None:
        return _gone(request)
    choices = _choices(request)
    try:
        added, changed = apply_import(upload, choices, request.POST.get("digest", ""))
    except ImportRefused as refused:
        return _preview(request, upload, plan_import(upload, choices), str(refused))
    messages.success(
        request,
        f"{upload.file_name} is imported: {added} added, {changed} brought up to date.",
    )
    return redirect("product_list")


def _choices(request: Request) -> dict[int, Choice]:
    choices = {}
    for name, value in request.POST.items():
        number = whole(name.removeprefix("row_"))
        if name.startswith("row_") and number is not None and value in list(Choice):
            choices[number] = Choice(value)
    return choices


def _asked_form(request: Request) -> str:
    return CSV if request.GET.get("as") == CSV else XLSX


def _file(data: bytes, name: str, form: str) -> HttpResponse:
    headers = {"Content-Disposition": f'attachment; filename="{name}.{form}"'}
    return HttpResponse(data, content_type=CONTENT_TYPES[form], headers=headers)


@allow(Role.MANAGER, again=True)
@require_safe
def product_export(request: Request) -> HttpResponse:
    """The catalogue as .xlsx, or with `as=csv` as CSV; `kind` narrows it."""
    kind, form = request.GET.get("kind", ""), _asked_form(request)
    kind = kind if kind in ProductKind.values else ""
    file = f"catalogue-{kind or 'all'}"
    sign_in.log_export(request, f"{file}.{form}")
    return _file(export_file(kind, form), file, form)


@allow(Role.MANAGER)
@require_safe
def product_template(request: Request, kind: str) -> HttpResponse:
    """An empty file with the columns of one kind."""
    form = _asked_form(request)
    known = kind if kind in ProductKind.values else ProductKind.OTHER
    return _file(template_file(known, form), f"products-{known}", form)
