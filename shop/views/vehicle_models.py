"""Vehicle models: the list, a new one, a changed one."""

from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.translation import gettext

from shop.access import allow, allow_any_staff
from shop.forms.vehicles import VehicleModelForm
from shop.http import Request
from shop.models import VehicleModel
from shop.paging import page_of
from shop.roles import DESK
from shop.typed import line
from shop.views.saving import form_page


@allow_any_staff
def vehicle_model_list(request: Request) -> HttpResponse:
    """Vehicle models; `q` narrows by make, model, trim or package."""
    text = line(request.GET.get("q"))
    models = VehicleModel.objects.matching(text).annotate(count=Count("vehicles"))
    models = models.order_by("make", "model", "-year_from", "trim", "pk")
    page = page_of(request, models)
    return render(request, "vehicles/models.html", {"page": page, "q": text})


@allow(*DESK)
def vehicle_model_create(request: Request) -> HttpResponse:
    """A new vehicle model."""
    return form_page(
        request,
        VehicleModelForm(request.POST or None),
        notice=gettext("{} is listed."),
        to="vehicle_model_list",
        title=gettext("New vehicle model"),
        save_label=gettext("Save model"),
        back_url=reverse("vehicle_model_list"),
        back_label=gettext("Vehicle models"),
    )


@allow(*DESK)
def vehicle_model_edit(request: Request, pk: int) -> HttpResponse:
    """Change a vehicle model."""
    model = get_object_or_404(VehicleModel, pk=pk)
    return form_page(
        request,
        VehicleModelForm(request.POST or None, instance=model),
        notice=gettext("{} is saved."),
        to="vehicle_model_list",
        title=gettext("Change %(model)s") % {"model": model},
        save_label=gettext("Save model"),
        back_url=reverse("vehicle_model_list"),
        back_label=gettext("Vehicle models"),
    )
