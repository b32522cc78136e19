"""The catalogue: products with the figures the sums need."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext, gettext_noop as kept

from shop.access import allow, allow_any_staff
from shop.catalogue.product_forms import PROGRAM, ProductForm, RatingFormSet
from shop.figures import shown_figure
from shop.http import Request
from shop.models import Product, ProductKind
from shop.models.products import SOURCE_KINDS
from shop.paging import page_of
from shop.roles import Role
from shop.services.products import corrections, save_product
from shop.typed import line

KIND_NOTES = {
    ProductKind.AMPLIFIER: kept("Channels, power into each load, what it draws."),
    ProductKind.PROCESSOR: kept("Inputs, outputs, delay step, EQ sections."),
    ProductKind.INTERFACE: kept("Joins the car's own bus, may wake amplifiers."),
    ProductKind.SPEAKER: kept("Tweeter to woofer: impedance, power, safe high-pass."),
    ProductKind.SUBWOOFER: kept("One coil or two, with its box."),
    ProductKind.CABLE: kept("Size, metal, insulation class."),
    ProductKind.FUSE: kept("Body and rating."),
    ProductKind.BATTERY: kept("What it is made of."),
    ProductKind.CAPACITOR: kept("Feeds peaks beside the battery."),
    ProductKind.ISOLATOR: kept("Joins two batteries while the engine runs."),
    ProductKind.CONVERTER: kept("The voltage it gives, and how much current."),
    ProductKind.OTHER: kept("Mounts, damping, plugs."),
}


@allow_any_staff
def product_list(request: Request) -> HttpResponse:
    """Products; `q` narrows by maker, name or part number, `kind` by kind, `missing` to those
    without a figure that the sums need."""
    text = line(request.GET.get("q"))
    kind = request.GET.get("kind", "")
    products = Product.objects.matching(text)
    if kind in ProductKind.values:
        products = products.filter(kind=kind)
    if missing := request.GET.get("missing") == "1":
        products = products.lacking()
    if not (old := request.GET.get("old") == "1"):
        products = products.offered()
    context = {
        "page": page_of(request, products.prefetch_related("ratings")),
        "q": text,
        "kind": kind,
        "kinds": ProductKind.choices,
        "old": old,
        "missing": missing,
        "filtered": bool(text or kind or missing),
        "corrections": corrections() if request.user.is_manager else (),
    }
    return render(request, "catalogue/list.html", context)


@allow_any_staff
def product(request: Request, pk: int) -> HttpResponse:
    """One product and its figures."""
    product = get_object_or_404(Product, pk=pk)
    form = ProductForm(instance=product, kind=product.kind)
    groups = [
        (title, [(field.label, shown_figure(product, field.name)) for field in fields])
        for title, fields, _ in form.groups
        if title != PROGRAM or product.has_limits
    ]
    bench = not request.user.is_manager and request.user.is_technician
    context = {
        "product": product,
        "groups": groups,
        "ratings": product.ratings.all(),
        "corrections": corrections(product),
        "corrects_inputs": bench and product.kind in SOURCE_KINDS,
    }
    return render(request, "catalogue/product.html", context)


@allow(Role.MANAGER)
def product_create(request: Request) -> HttpResponse:
    """A new product: first its kind, then its figures."""
    kind = request.GET.get("kind", "")
    if kind not in ProductKind.values:
        kinds = [(value, label, KIND_NOTES[ProductKind(value)]) for value, label in _kinds()]
        return render(request, "catalogue/kinds.html", {"kinds": kinds})
    return _form(request, Product(kind=kind))


def _kinds() -> list[tuple[str, str]]:
    return [(str(value), str(label)) for value, label in ProductKind.choices]


@allow(Role.MANAGER)
def product_edit(request: Request, pk: int) -> HttpResponse:
    """Change a product."""
    return _form(request, get_object_or_404(Product, pk=pk))


def _form(request: Request, edited: Product) -> HttpResponse:
    data = request.POST if request.method == "POST" else None
    form = ProductForm(data, instance=edited, kind=edited.kind, asks_tax=True)
    ratings = RatingFormSet(data, instance=edited) if form.asks_ratings else None
    if data is not None and form.is_valid() and (ratings is None or ratings.is_valid()):
        saved = save_product(form.save(commit=False), ratings, request.user)
        messages.success(request, gettext("%(saved)s is in the catalogue.") % {"saved": saved})
        return redirect("product", saved.pk)
    context = {
        "form": form,
        "ratings": ratings,
        "product": edited,
        "kind_label": edited.get_kind_display(),
    }
    return render(request, "catalogue/form.html", context, status=422 if data is not None else 200)
