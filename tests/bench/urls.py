"""The product's URLs, the floor (one row by its indexed number), and parts of pages alone."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path

from jobs.models import Job
from jobs.templatetags.setups import setup_offer
from shop.access import allow_any_staff
from shop.project.urls import urlpatterns as product


@allow_any_staff
def one_row(request: HttpRequest, number: int) -> HttpResponse:
    job = get_object_or_404(Job, number=number)
    return HttpResponse(f"<p>{job} {job.get_stage_display()}</p>")


@allow_any_staff
def setups_found(request: HttpRequest, number: int) -> HttpResponse:
    """The offer of setups as the job's page shows it, by itself."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    return render(request, "setups/offer.html", setup_offer(job, request.user))


urlpatterns = [
    path("bench/<int:number>/", one_row, name="one_row"),
    path("bench/<int:number>/setups/", setups_found, name="setups_found"),
    *product,
]
