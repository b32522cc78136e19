"""A product's inputs corrected at the bench, and the manager's look at what was corrected."""

from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from shop.access import allow
from shop.catalogue.figure_forms import figure_field
from shop.forms.base import ModelForm
from shop.http import Request
from shop.models import Product, ShopEvent
from shop.models.products import SOURCE_KINDS
from shop.roles import BENCH, Role
from shop.services import products as service


class InputsForm(ModelForm):
    """What stands on the case, and why the catalogue was wrong."""

    note = forms.CharField(
        label="Note to the manager",
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 2, "data-span": "all"}),
        help_text="Where the figure stands: on the case, in the maker's sheet.",
    )

    class Meta:
        model = Product
        fields = list(service.INPUTS)
        formfield_callback = figure_field


@allow(*BENCH)
def product_inputs(request: Request, pk: int) -> HttpResponse:
    """Correct the inputs of an amplifier, processor or module."""
    product = get_object_or_404(Product, pk=pk, kind__in=SOURCE_KINDS)
    seen = request.POST.get("seen") or service.inputs_seen(product)
    form = InputsForm(request.POST or None, instance=Product.objects.get(pk=pk))
    if request.method == "POST" and form.is_valid():
        values = {name: form.cleaned_data[name] for name in service.INPUTS}
        try:
            event = service.correct_inputs(
                pk, values, form.cleaned_data["note"], seen, request.user
            )
        except ValidationError as error:
            form.add_error(None, error)
            seen = service.inputs_seen(product)
        else:
            said = gettext("The inputs are corrected, and the manager is told.")
            messages.success(request, said if event else gettext("They are like that already."))
            return redirect("product", pk)
    context: dict[str, Any] = {"form": form, "product": product, "seen": seen}
    status = 422 if form.is_bound else 200
    return render(request, "catalogue/inputs.html", context, status=status)


@allow(Role.MANAGER)
@require_POST
def product_correction(request: Request, pk: int) -> HttpResponse:
    """Keep a correction made at the bench, or put back what stood before."""
    back = request.POST.get("do") == "put_back"
    try:
        done = service.look_at_correction(pk, request.user, put_back=back)
    except ShopEvent.DoesNotExist:
        raise Http404(gettext("There is no such correction.")) from None
    kept = gettext("The correction is kept.")
    said = gettext("What stood before stands again.") if back else kept
    messages.success(request, said if done else gettext("Somebody looked at it before."))
    event = ShopEvent.objects.get(pk=pk)
    there = Product.objects.filter(pk=event.about[1]).exists()
    return redirect(reverse("product", args=[event.about[1]]) if there else "product_list")
