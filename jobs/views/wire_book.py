"""The wire book: plugs of each vehicle model as signed jobs found them."""

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render

from jobs.reads.wire_book import models_seen, plugs_of
from shop.access import allow_any_staff
from shop.http import Request
from shop.models import VehicleModel


@allow_any_staff
def wire_book(request: Request) -> HttpResponse:
    """The models whose wires are known; `q` finds one by make, model, year or trim."""
    text = request.GET.get("q", "").strip()
    return render(request, "wire_book/list.html", {"models": models_seen(text), "text": text})


@allow_any_staff
def wire_book_model(request: Request, pk: int) -> HttpResponse:
    """The plugs of one model; `q` finds by function or colour."""
    model = get_object_or_404(VehicleModel, pk=pk)
    text = request.GET.get("q", "").strip()
    plugs, elsewhere = plugs_of(model, text)
    context = {
        "model": model,
        "text": text,
        "plugs": plugs,
        "elsewhere": [] if text else elsewhere,
        "conflicts": sum(plug.conflicts for plug in plugs),
    }
    return render(request, "wire_book/model.html", context)
