"""Find a job: one box for number, plate, VIN tail, phone and name."""

from django.http import HttpResponse
from django.shortcuts import render

from jobs.reads.board import find_jobs
from shop.access import allow_any_staff
from shop.http import Request
from shop.typed import line


@allow_any_staff
def find(request: Request) -> HttpResponse:
    """What was found, each with its stage and promised time, ready or not at a glance."""
    text = line(request.GET.get("q"))
    context = {"q": text, "found": find_jobs(text) if text else None}
    if request.headers.get("HX-Target") == "found":
        return render(request, "find/found.html", context)
    return render(request, "find/page.html", context)
