"""The product's URLs and the floor: one row by its indexed number, for anybody signed in."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path

from jobs.models import Job
from shop.access import allow_any_staff
from shop.project.urls import urlpatterns as product


@allow_any_staff
def one_row(request: HttpRequest, number: int) -> HttpResponse:
    job = get_object_or_404(Job, number=number)
    return HttpResponse(f"<p>{job} {job.get_stage_display()}</p>")


urlpatterns = [path("bench/<int:number>/", one_row, name="one_row"), *product]
