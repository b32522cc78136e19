"""Fit proof: what was consulted, and the serial and firmware of what is fitted."""

from functools import partial
from typing import Any

from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.add import FitProofForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import part_fields
from jobs.models import FitProof, Job, JobPart
from jobs.services import fit as service
from jobs.services.saving import FieldClash
from jobs.setups.brought import fit_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.left import taken_over
from jobs.views.bay.rows import cell_row
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models.products import SOURCE_KINDS
from shop.roles import BENCH
from shop.typed import token


def sources_of(job: Job) -> list[JobPart]:
    """The amplifiers, processors and interface modules of the job."""
    return list(
        job.parts.select_related("product").filter(product__kind__in=SOURCE_KINDS).order_by("pk")
    )


def part_html(
    sheet: BaySheet,
    part: JobPart,
    sources: list[JobPart],
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    template: str = "bay/part_row.html",
) -> str:
    """The row of a source part: serial and firmware, or how it is turned on."""
    row = cell_row(part, part_fields(sources), cleaned, clashes or [], part.label)
    return render_to_string(template, {"sheet": sheet, "row": row, "part": part})


@allow_any_staff
@require_safe
def fit(request: Request, number: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "fit")
    known = {} if sheet.job.fit_proofs.exists() else fit_of(sheet.job)
    return _page(request, sheet, FitProofForm(initial=known), known=bool(known))


def _page(
    request: Request, sheet: BaySheet, form: FitProofForm, status: int = 200, known: bool = False
) -> HttpResponse:
    sources = sources_of(sheet.job)
    context: dict[str, Any] = {
        "form": form,
        "known": known,
        "taken": taken_over(sheet),
        "parts_url": reverse("job_parts", args=[sheet.number]),
        "proofs": list(sheet.job.fit_proofs.select_related("by").order_by("-pk")),
        "parts": [part_html(sheet, part, sources) for part in sources],
    }
    answer = answers.page(request, sheet, "bay/fit.html", **context)
    answer.status_code = status
    return answer


@allow(*BENCH)
@require_POST
def add(request: Request, number: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "fit")
    form = FitProofForm(request.POST, request.FILES)
    if form.is_valid():
        data = form.cleaned_data
        try:
            service.add_proof(
                number,
                sheet.user,
                source=data["source"],
                reference=data["reference"],
                consulted_on=data["consulted_on"],
                outcome=data["outcome"],
                note=data["note"],
                guide=request.FILES.get("guide"),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("guide" if "guide" in request.FILES else None, refused.reasons[0])
        else:
            return answers.reload(request, sheet.url("bay_fit"))
    return _page(request, sheet, form, 422)


@allow_any_staff
@require_safe
def guide(request: Request, number: int, pk: int) -> FileResponse:
    """The attached guide, as a download."""
    proof = get_object_or_404(FitProof, pk=pk, job__number=number)
    try:
        file = proof.guide.open("rb")
    except (ValueError, FileNotFoundError):
        raise Http404("No guide is attached.") from None
    name = str(proof.guide.name).rpartition("/")[2]
    return FileResponse(file, as_attachment=True, filename=name)


@allow(*BENCH)
@require_POST
def part(request: Request, number: int, pk: int) -> HttpResponse:
    """Save serial, firmware or turn-on of one part."""
    job = get_object_or_404(Job, number=number)
    sources = sources_of(job)
    template = "bay/turn_on_row.html" if "turn-on" in request.GET else "bay/part_row.html"

    def draw(sheet: BaySheet, row: JobPart, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return part_html(sheet, row, sources, cleaned, clashes, template)

    return answers.save_cells(
        request,
        number,
        "fit" if "turn-on" not in request.GET else "channels",
        part_fields(sources),
        partial(service.save_part, number, pk),
        draw,
        lambda: JobPart.objects.select_related("product").get(pk=pk, job=job),
    )
