"""Vehicles and customers with their jobs: the lists, the pages, a new vehicle, a changed one."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from jobs.forms.booking import CHOSEN, SEARCH
from jobs.forms.vehicles import VehicleForm
from jobs.models import Job
from jobs.views.picks import DESK
from shop.access import allow, allow_any_staff
from shop.models import Customer, Vehicle, VehicleModel
from shop.paging import page_of

MOST_JOBS = 50


@allow_any_staff
def vehicle_list(request: HttpRequest) -> HttpResponse:
    """Vehicles, the newest first; `q` narrows by plate, or by start or tail of the VIN."""
    text = request.GET.get("q", "").strip()
    vehicles = Vehicle.objects.matching(text) if text else Vehicle.objects.all()
    page = page_of(request, vehicles.select_related("vehicle_model", "owner").order_by("-pk"))
    return render(request, "vehicles/list.html", {"page": page, "q": text})


@allow_any_staff
def vehicle(request: HttpRequest, pk: int) -> HttpResponse:
    """One vehicle: what it is, whose it is, and every visit."""
    found = get_object_or_404(Vehicle.objects.select_related("vehicle_model", "owner"), pk=pk)
    jobs = Job.objects.filter(vehicle=found).with_names().order_by("-number")[:MOST_JOBS]
    return render(request, "vehicles/vehicle.html", {"vehicle": found, "jobs": jobs})


@allow(*DESK)
def vehicle_create(request: HttpRequest) -> HttpResponse:
    """A new vehicle of a customer, whose key comes in the address."""
    owner = get_object_or_404(Customer, pk=request.GET.get("owner") or 0)
    return _form(request, Vehicle(owner=owner), None)


@allow(*DESK)
def vehicle_edit(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a vehicle."""
    found = get_object_or_404(Vehicle.objects.select_related("vehicle_model", "owner"), pk=pk)
    return _form(request, found, found.vehicle_model)


def _form(request: HttpRequest, edited: Vehicle, model: VehicleModel | None) -> HttpResponse:
    data = request.POST if request.method == "POST" else None
    if data is not None:
        key = data.get("vehicle_model", "")
        model = VehicleModel.objects.filter(pk=key).first() if key.isdigit() else None
    form = VehicleForm(data, instance=edited, prefix="vehicle")
    owner = edited.owner
    if data is not None and data.get("customer", "").isdigit():
        owner = Customer.objects.filter(pk=data["customer"]).first() or owner
    said = []
    if data is not None:
        if model is None:
            said.append("Choose the vehicle model from the list. A new one is added on its page.")
        if form.is_valid() and model is not None:
            saved: Any = form.save(commit=False)
            saved.vehicle_model, saved.owner = model, owner
            saved.save()
            messages.success(request, f"{saved} is saved.")
            return redirect("vehicle", saved.pk)
    context = {
        "vehicle": edited,
        "vehicle_form": form,
        "vehicle_model": model,
        "model_mode": CHOSEN if model else SEARCH,
        "customer": owner,
        "mode": CHOSEN,
        "said": said,
        "no_new": True,
        "back_url": reverse("vehicle", args=[edited.pk])
        if edited.pk
        else reverse("customer", args=[owner.pk]),
    }
    return render(request, "vehicles/form.html", context, status=422 if data is not None else 200)


@allow(*DESK)
def customer(request: HttpRequest, pk: int) -> HttpResponse:
    """One customer: how to reach them, their cars and their jobs."""
    found = get_object_or_404(Customer, pk=pk)
    context = {
        "customer": found,
        "vehicles": found.vehicles.select_related("vehicle_model"),
        "jobs": Job.objects.filter(customer=found).with_names().order_by("-number")[:MOST_JOBS],
    }
    return render(request, "customers/customer.html", context)
