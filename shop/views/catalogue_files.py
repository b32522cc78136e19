"""Products from a file and into one. A file is read once and waits, bound to who brought it."""

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow
from shop.catalogue.columns import guesses, likely_kind
from shop.catalogue.export import CONTENT_TYPES, CSV, XLSX, export_file, template_file
from shop.catalogue.import_file import apply_import, plan_import
from shop.catalogue.import_forms import ColumnsForm, UploadForm
from shop.http import Request
from shop.models import CatalogueUpload, Product, ProductKind
from shop.roles import Role
from shop.services import sign_in
from shop.views.import_pages import FilePages, Words

PRODUCTS = FilePages(
    CatalogueUpload.PRODUCTS,
    start="product_import",
    mapping="product_import_map",
    preview="product_import_preview",
    apply="product_import_apply",
    back="product_list",
    words=Words(
        alike="Look like a product you have",
        another="Add it as another product",
        update="Bring {} up to date",
        stand="stand in the catalogue as they are",
        back="Back to the catalogue",
    ),
    page="product",
    plan=plan_import,
)


@allow(Role.MANAGER)
def product_import(request: Request) -> HttpResponse:
    """Choose a file; templates and exports lie beside it."""
    posted = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if posted else UploadForm()
    if posted and form.is_valid():
        columns = guesses(form.sheet.headings)
        upload = PRODUCTS.keep(
            request,
            form,
            columns=columns,
            kind=likely_kind(columns),
            decimal_comma=form.sheet.decimal_comma,
        )
        return redirect("product_import_map", upload.pk)
    context = {
        "form": form,
        "kinds": ProductKind.choices,
        "products": Product.objects.count(),
        "waiting": PRODUCTS.waiting(request),
    }
    return render(request, "catalogue/import.html", context, status=422 if posted else 200)


@allow(Role.MANAGER)
def product_import_map(request: Request, pk: int) -> HttpResponse:
    """Say which column is which figure."""
    return PRODUCTS.map(request, pk, ColumnsForm)


@allow(Role.MANAGER)
@require_safe
def product_import_preview(request: Request, pk: int) -> HttpResponse:
    """What the file would do, row by row. Nothing is written."""
    return PRODUCTS.look_through(request, pk)


@allow(Role.MANAGER)
@require_POST
def product_import_apply(request: Request, pk: int) -> HttpResponse:
    """Import the whole file as it was shown, or nothing."""
    said = "{file} is imported: {added} added, {changed} brought up to date."
    return PRODUCTS.bring_in(request, pk, apply_import, said)


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
