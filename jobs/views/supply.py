"""Where the parts of a job are, the jobs that wait for parts, and the papers of the counter."""

from typing import Any, Final

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.forms.supply import SupplyForm
from jobs.models import Job, JobPart, PartSupply
from jobs.paper import PAPERS, counter_paper
from jobs.services.supply import all_now, jobs_waiting, save_supply
from shop.access import allow_any_staff
from shop.http import Request
from shop.series import code_of
from shop.typed import one_of, row_version

BULK: Final = ("ordered", "arrived", "fitted")


def supply_lines(job: Job) -> list[tuple[JobPart, SupplyForm]]:
    """Each part of a job with the form that says where it is."""
    parts = job.parts.select_related("product", "supply")
    return [(part, _form(part)) for part in parts]


def _form(part: JobPart, data: Any = None) -> SupplyForm:
    supply = getattr(part, "supply", None) or PartSupply(part=part, version=0)
    return SupplyForm(data, instance=supply, prefix=f"s{part.pk}")


def _answer(request: Request, job: Job, status: int = 200, **more: Any) -> HttpResponse:
    if not request.htmx and status == 200:
        return redirect(f"{job.get_absolute_url()}#parts")
    context = {"job": job, "supply_lines": supply_lines(job), **more}
    template = "job/supply.html" if request.htmx else "job/supply_page.html"
    return render(request, template, context, status=status)


@allow_any_staff
@require_POST
def supply_save(request: Request, number: int, pk: int) -> HttpResponse:
    """Say where one part is."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    part = get_object_or_404(job.parts.select_related("product", "supply"), pk=pk)
    form = _form(part, request.POST)
    if not form.is_valid():
        said = [line for errors in form.errors.values() for line in errors]
        return _answer(request, job, 422, supply_said=said)
    version = row_version(request.POST.get("version"))
    saved = save_supply(number, pk, form.values(), actor=request.user, version=version)
    said = [
        f"{clash.actor} entered “{clash.theirs}” for {part.label} meanwhile: it stands."
        for clash in saved.clashes
    ]
    return _answer(request, job, 422 if said else 200, supply_said=said)


@allow_any_staff
@require_POST
def supply_all(request: Request, number: int) -> HttpResponse:
    """Say of all parts at once that they are ordered, here, or fitted."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    state = one_of(request.POST.get("state"), BULK)
    if not state:
        said = ["Choose what all parts are: ordered, arrived or fitted."]
        return _answer(request, job, 422, supply_said=said)
    all_now(number, state, actor=request.user)
    return _answer(request, job)


@allow_any_staff
@require_safe
def parts_to_come(request: Request) -> HttpResponse:
    """The jobs that wait for parts, the next to start first."""
    return render(request, "plan/parts.html", {"waiting": jobs_waiting()})


@allow_any_staff
@require_safe
def paper_file(request: Request, number: int, name: str) -> HttpResponse:
    """Hand-in receipt, job card or pick list as PDF."""
    if name not in PAPERS:
        raise Http404(gettext("There is no such paper."))
    job = get_object_or_404(Job.objects.with_names().select_related("work_kind"), number=number)
    pdf = counter_paper(job, name, request.build_absolute_uri(job.get_absolute_url()))
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{code_of(number)}-{name}.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response
