"""Plugs of vehicle models and modules: read by everybody, written down by the bench."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs.forms.plugs import CavityForm, PasteForm, PlugForm
from jobs.plan.plug_face import face
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models import PlugTable, Product, VehicleModel
from shop.roles import BENCH, has_role
from shop.services.plugs import remove_plug, save_cavities, save_plug
from shop.views.saving import form_page
from shop.wording import listed, plural


def _list(request: Request, owner: VehicleModel | Product, new_url: str) -> HttpResponse:
    tables = [
        (table, face(table, list(table.cavities.all())))
        for table in owner.plugs.prefetch_related("cavities")
    ]
    back = ("vehicle_model_list", "Vehicle models") if isinstance(owner, VehicleModel) else None
    context = {
        "owner": owner,
        "tables": tables,
        "new_url": new_url,
        "may_write": has_role(request.user, BENCH),
        "back_url": reverse(back[0]) if back else reverse("product", args=[owner.pk]),
        "back_label": back[1] if back else str(owner),
    }
    return render(request, "plugs/list.html", context)


@allow_any_staff
@require_safe
def model_plugs(request: Request, pk: int) -> HttpResponse:
    """The plugs of a vehicle model."""
    owner = get_object_or_404(VehicleModel, pk=pk)
    return _list(request, owner, reverse("model_plug_create", args=[pk]))


@allow_any_staff
@require_safe
def product_plugs(request: Request, pk: int) -> HttpResponse:
    """The plugs of a product: a module, an amplifier."""
    owner = get_object_or_404(Product, pk=pk)
    return _list(request, owner, reverse("product_plug_create", args=[pk]))


def _form(request: Request, table: PlugTable, title: str, back_url: str) -> HttpResponse:
    form = PlugForm(request.POST or None, instance=table)
    return form_page(
        request,
        form,
        notice=gettext("{} is written down."),
        save=lambda: save_plug(form.instance, request.user),
        to=lambda saved: reverse("plug", args=[saved.pk]),
        title=title,
        save_label=gettext("Save plug"),
        back_url=back_url,
        back_label=gettext("Plugs"),
    )


@allow(*BENCH)
def model_plug_create(request: Request, pk: int) -> HttpResponse:
    """A new plug of a vehicle model."""
    owner = get_object_or_404(VehicleModel, pk=pk)
    back = reverse("model_plugs", args=[pk])
    return _form(
        request,
        PlugTable(vehicle_model=owner),
        gettext("New plug of %(owner)s") % {"owner": owner},
        back,
    )


@allow(*BENCH)
def product_plug_create(request: Request, pk: int) -> HttpResponse:
    """A new plug of a product."""
    owner = get_object_or_404(Product, pk=pk)
    back = reverse("product_plugs", args=[pk])
    return _form(
        request, PlugTable(product=owner), gettext("New plug of %(owner)s") % {"owner": owner}, back
    )


@allow(*BENCH)
def plug_edit(request: Request, pk: int) -> HttpResponse:
    """Name and face of a plug."""
    table = get_object_or_404(PlugTable.objects.select_related("vehicle_model", "product"), pk=pk)
    return _form(
        request, table, gettext("Change %(name)s") % {"name": table}, reverse("plug", args=[pk])
    )


def _table(pk: int) -> PlugTable:
    tables = PlugTable.objects.select_related("vehicle_model", "product")
    return get_object_or_404(tables, pk=pk)


def _page(
    request: Request,
    table: PlugTable,
    cavity: CavityForm | None = None,
    paste: PasteForm | None = None,
) -> HttpResponse:
    cavities = list(table.cavities.all())
    owner = table.vehicle_model or table.product
    name = "model_plugs" if table.vehicle_model_id else "product_plugs"
    context: dict[str, Any] = {
        "table": table,
        "cavities": cavities,
        "face": face(table, cavities),
        "proved": sum(one.proof == "proved" for one in cavities),
        "may_write": has_role(request.user, BENCH),
        "cavity_form": cavity or CavityForm(),
        "paste_form": paste or PasteForm(auto_id="paste-%s"),
        "back_url": reverse(name, args=[owner.pk]) if owner else "",
    }
    status = 422 if cavity is not None or paste is not None else 200
    return render(request, "plugs/plug.html", context, status=status)


@allow_any_staff
@require_safe
def plug(request: Request, pk: int) -> HttpResponse:
    """One plug: its face, and what each cavity carries."""
    return _page(request, _table(pk))


@allow(*BENCH)
@require_POST
def plug_cavity(request: Request, pk: int) -> HttpResponse:
    """Write one cavity down."""
    table = _table(pk)
    form = CavityForm(request.POST)
    if not form.is_valid():
        return _page(request, table, cavity=form)
    done = save_cavities(table, [form.known], request.user)
    cavity = form.cleaned_data["cavity"]
    if done.written:
        said = gettext("Pin %(cavity)s is written down.")
    else:
        said = gettext("Pin %(cavity)s is taken out.")
        said = said if done.gone else gettext("Pin %(cavity)s is empty.")
    messages.success(request, said % {"cavity": cavity})
    return redirect("plug", pk)


@allow(*BENCH)
@require_POST
def plug_paste(request: Request, pk: int) -> HttpResponse:
    """Write down every cavity of a pasted table, or none of them."""
    table = _table(pk)
    form = PasteForm(request.POST, auto_id="paste-%s")
    if not form.is_valid():
        return _page(request, table, paste=form)
    done = save_cavities(table, form.cleaned_data["known"], request.user, keep_proved=True)
    gone = f", {plural(done.gone, 'pin')} taken out" if done.gone else ""
    messages.success(
        request,
        gettext("%(written)s written down%(gone)s.")
        % {"written": plural(done.written, "pin"), "gone": gone},
    )
    if done.kept:
        messages.warning(
            request,
            gettext(
                "%(kept)s: proved in a car, left as it was. Where the document is right, "
                "change the pin by itself."
            )
            % {"kept": listed(done.kept)},
        )
    return redirect("plug", pk)


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def plug_remove(request: Request, pk: int) -> HttpResponse:
    """Remove a plug with its cavities; the wires of jobs keep what they have."""
    table = _table(pk)
    owner = table.vehicle_model or table.product
    name = "model_plugs" if table.vehicle_model_id else "product_plugs"
    assert owner is not None
    if request.method == "POST":
        remove_plug(table, request.user)
        messages.success(request, gettext("%(table)s is removed.") % {"table": table})
        return redirect(name, owner.pk)
    return render(request, "plugs/remove.html", {"table": table, "owner": owner})
