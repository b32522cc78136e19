"""Fit proof: what was consulted, and the serial and firmware of what is fitted."""

from functools import partial
from typing import Any, Final

from django.db.models import Max
from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.add import FitProofForm, PanelForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import part_fields
from jobs.models import FitProof, Job, JobPart
from jobs.services import fit as service, panels
from jobs.services.saving import FieldClash
from jobs.setups.brought import fit_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.left import taken_over
from jobs.views.bay.panels import panels_context
from jobs.views.bay.rows import cell_row
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models.products import MOUNTED_KINDS, SOURCE_KINDS
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
    """The row of a part: serial and firmware, how it is turned on, or what was put into it."""
    row = cell_row(part, part_fields(sources, part.product), cleaned, clashes or [], part.label)
    return render_to_string(template, {"sheet": sheet, "row": row, "part": part})


_ROWS: Final = {"data": "bay/data_row.html", "mount": "bay/mount_row.html"}
"""Rows of a part beside the one with its serial, by what the address asks for."""


def fit_rows(sheet: BaySheet, parts: list[JobPart], sources: list[JobPart]) -> list[str]:
    """Every row that the section has of these parts: those of the table first, for a part of a
    table is lost where it follows something else."""
    rows = [part_html(sheet, one, sources) for one in parts if one.product.kind in SOURCE_KINDS]
    return [*rows, *mount_rows(sheet, parts, sources), *data_rows(sheet, parts, sources)]


def data_rows(sheet: BaySheet, parts: list[JobPart], sources: list[JobPart]) -> list[str]:
    """What was put into each part that holds a file or options."""
    holding = [one for one in parts if one.product.holds_data]
    return [part_html(sheet, one, sources, template=_ROWS["data"]) for one in holding]


def mount_rows(sheet: BaySheet, parts: list[JobPart], sources: list[JobPart]) -> list[str]:
    """How each part is mounted."""
    template = _ROWS["mount"]
    return [part_html(sheet, one, sources, template=template) for one in parts]


def mounted_of(job: Job) -> list[JobPart]:
    """The parts of the job that are fixed to the car."""
    return list(
        job.parts.select_related("product").filter(product__kind__in=MOUNTED_KINDS).order_by("pk")
    )


def _known(name: str) -> list[str]:
    """What was written there on the shop's last jobs, the newest first."""
    newest = JobPart.objects.aggregate(pk=Max("pk"))["pk"] or 0
    rows = JobPart.objects.filter(pk__gt=newest - _LOOKED_AT).exclude(**{name: ""})
    return list(dict.fromkeys(rows.order_by("-pk").values_list(name, flat=True)))[:_MOST_KNOWN]


_LOOKED_AT: Final = 2000
"""Parts looked through: a shop's whole history would take long to read."""
_MOST_KNOWN: Final = 8


@allow_any_staff
@require_safe
def fit(request: Request, number: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "fit")
    known = {} if sheet.job.fit_proofs.exists() else fit_of(sheet.job)
    return _page(request, sheet, FitProofForm(initial=known), known=bool(known))


def _page(
    request: Request,
    sheet: BaySheet,
    form: FitProofForm,
    status: int = 200,
    known: bool = False,
    panel_form: PanelForm | None = None,
) -> HttpResponse:
    mounted = mounted_of(sheet.job)
    sources = [part for part in mounted if part.product.kind in SOURCE_KINDS]
    context: dict[str, Any] = {
        "form": form,
        "known": known,
        "taken": taken_over(sheet),
        "parts_url": reverse("job_parts", args=[sheet.number]),
        "proofs": list(sheet.job.fit_proofs.select_related("by").order_by("-pk")),
        "parts": [part_html(sheet, part, sources) for part in sources],
        "data_rows": (data := data_rows(sheet, sources, sources)),
        "computers": _known("written_with") if data else [],
        "cables": _known("written_cable") if data else [],
        "mount_rows": mount_rows(sheet, mounted, sources),
        "mount_places": _known("mount_place") if mounted else [],
        "fixings": _known("fixings") if mounted else [],
        "high_voltage": sheet.job.vehicle.vehicle_model.high_voltage,
        **panels_context(sheet, panel_form),
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


@allow(*BENCH)
@require_POST
def add_panel(request: Request, number: int) -> HttpResponse:
    """Add a panel that was taken off."""
    sheet = BaySheet.of(request, number, "fit")
    form = PanelForm(request.POST)
    if form.is_valid():
        name, clips = (form.cleaned_data[one] for one in ("name", "clips"))
        key = token(request.POST.get("key"))
        try:
            panels.add_panel(number, name, clips, actor=sheet.user, key=key)
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            return answers.reload(request, sheet.url("bay_fit") + "#panels")
    return _page(request, sheet, FitProofForm(), 422, panel_form=form)


@allow_any_staff
@require_safe
def guide(request: Request, number: int, pk: int) -> FileResponse:
    """The attached guide, as a download."""
    proof = get_object_or_404(FitProof, pk=pk, job__number=number)
    try:
        file = proof.guide.open("rb")
    except (ValueError, FileNotFoundError):
        raise Http404(gettext("No guide is attached.")) from None
    name = str(proof.guide.name).rpartition("/")[2]
    return FileResponse(file, as_attachment=True, filename=name)


@allow(*BENCH)
@require_POST
def part(request: Request, number: int, pk: int) -> HttpResponse:
    """Save serial, firmware, turn-on or data of one part."""
    job = get_object_or_404(Job, number=number)
    one = get_object_or_404(JobPart.objects.select_related("product"), pk=pk, job=job)
    sources = sources_of(job)
    template = _ROWS.get(request.GET.get("row", ""), "bay/part_row.html")
    if "turn-on" in request.GET:
        template = "bay/turn_on_row.html"

    def draw(sheet: BaySheet, row: JobPart, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return part_html(sheet, row, sources, cleaned, clashes, template)

    return answers.save_cells(
        request,
        number,
        "fit" if "turn-on" not in request.GET else "channels",
        part_fields(sources, one.product),
        partial(service.save_part, number, pk),
        draw,
        lambda: JobPart.objects.select_related("product").get(pk=pk, job=job),
    )
