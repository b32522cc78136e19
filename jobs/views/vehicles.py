"""Vehicles and customers with their jobs: the lists, the pages, a new vehicle, a changed one."""

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext

from jobs.forms.booking import CHOSEN, NEW, SEARCH, chosen
from jobs.forms.vehicles import VehicleForm
from jobs.models import Job
from jobs.reads.vehicle_record import record_of
from jobs.services.customers import alike, same_people
from shop.access import allow, allow_any_staff
from shop.forms.vehicles import VehicleModelForm
from shop.http import Request
from shop.models import Customer, Vehicle, VehicleModel
from shop.paging import page_of
from shop.roles import DESK
from shop.services import events
from shop.typed import line, whole

MOST_JOBS = 50


@allow_any_staff
def vehicle_list(request: Request) -> HttpResponse:
    """Vehicles, the newest first; `q` narrows by plate, or by start or tail of the VIN."""
    text = line(request.GET.get("q"))
    vehicles = Vehicle.objects.matching(text) if text else Vehicle.objects.all()
    page = page_of(request, vehicles.select_related("vehicle_model", "owner").order_by("-pk"))
    return render(request, "vehicles/list.html", {"page": page, "q": text})


@allow_any_staff
def vehicle(request: Request, pk: int) -> HttpResponse:
    """One vehicle: what it is, whose it is, every visit, and what its signed sheets say."""
    vehicle = get_object_or_404(Vehicle.objects.select_related("vehicle_model", "owner"), pk=pk)
    jobs = Job.objects.filter(vehicle=vehicle).with_names().order_by("-pk")[:MOST_JOBS]
    context = {"vehicle": vehicle, "jobs": jobs, "record": record_of(vehicle)}
    return render(request, "vehicles/vehicle.html", context)


@allow(*DESK)
def vehicle_create(request: Request) -> HttpResponse:
    """A new vehicle of a customer, whose key comes in the address."""
    owner = get_object_or_404(Customer, pk=whole(request.GET.get("owner")))
    return _form(request, Vehicle(owner=owner), None)


@allow(*DESK)
def vehicle_edit(request: Request, pk: int) -> HttpResponse:
    """Change a vehicle."""
    vehicle = get_object_or_404(Vehicle.objects.select_related("vehicle_model", "owner"), pk=pk)
    return _form(request, vehicle, vehicle.vehicle_model)


def _form(request: Request, edited: Vehicle, model: VehicleModel | None) -> HttpResponse:
    data = request.POST if request.method == "POST" else None
    owner, back_url = edited.owner, _back(edited)
    mode = CHOSEN if model else SEARCH
    errors: list[str] = []
    if data is not None:
        model, mode = chosen(VehicleModel, data, "vehicle_model", "model_mode")
        owner = chosen(Customer, data, "customer", "customer_mode")[0] or owner
    form = VehicleForm(data, instance=edited, prefix="vehicle")
    model_form = VehicleModelForm(data if mode == NEW else None, prefix="model")
    if data is not None:
        if mode == SEARCH:
            errors.append("Choose the vehicle model from the list, or make a new one.")
        good = form.is_valid() & (mode != NEW or model_form.is_valid())
        if good and not errors:
            with transaction.atomic():
                saved: Vehicle = form.save(commit=False)
                saved.vehicle_model = model or events.save(
                    model_form.save(commit=False), request.user
                )
                saved.owner = owner
                events.save(saved, request.user)
            messages.success(request, gettext("%(saved)s is saved.") % {"saved": saved})
            return redirect("vehicle", saved.pk)
    context = {
        "vehicle": edited,
        "vehicle_form": form,
        "vehicle_model": model,
        "model_form": model_form,
        "model_mode": mode,
        "customer": owner,
        "mode": CHOSEN,
        "said": errors,
        "no_new": True,
        "back_url": back_url,
    }
    return render(request, "vehicles/form.html", context, status=422 if data is not None else 200)


def _back(vehicle: Vehicle) -> str:
    if vehicle.pk:
        return reverse("vehicle", args=[vehicle.pk])
    return reverse("customer", args=[vehicle.owner_id])


@allow(*DESK)
def customer(request: Request, pk: int) -> HttpResponse:
    """One customer: how to reach them, their cars and their jobs."""
    customer = get_object_or_404(Customer.objects.select_related("merged_into"), pk=pk)
    everybody = same_people(customer)
    context = {
        "customer": customer,
        "merged": customer.merged.order_by("name", "pk"),
        "alike": [] if customer.merged_into or customer.erased_at else alike(customer),
        "vehicles": customer.vehicles.select_related("vehicle_model"),
        "jobs": Job.objects.filter(customer__in=everybody).with_names().order_by("-pk")[:MOST_JOBS],
    }
    return render(request, "customers/customer.html", context)
