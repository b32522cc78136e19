"""The channel plan: every amplifier channel and line output as a row, and the car picture."""

from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.adapters import AdapterForm, PinsForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import (
    cable_fields,
    posted_speaker_fields,
    proof_fields,
    wire_fields,
)
from jobs.forms.bay.wires import FILLED
from jobs.models import AdapterLead, Channel, ChannelSetting, Job, JobPart, TuningKind
from jobs.plan.power import cable_figures_of
from jobs.services import adapters as leads, channels as service
from jobs.services.saving import FieldClash, Saved
from jobs.views.bay import adapters, answers, picture
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.channel_rows import (
    GROUPS,
    cable_html,
    proof_html,
    settings_html,
    speakers_html,
    wires_html,
)
from jobs.views.bay.fit import part_html, sources_of
from jobs.views.bay.parts import still_to_place_html
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models import PlugTable, ProductKind
from shop.roles import BENCH
from shop.typed import token


def inputs_of(job: Job) -> list[JobPart]:
    """The parts of the job that a line output can feed."""
    return [part for part in sources_of(job) if part.product.line_inputs]


def channels_of(job: Job) -> list[Channel]:
    """The job's channels in the order of the plan, with their parts."""
    return list(
        job.channels.select_related("part__product", "feeds_part")
        .prefetch_related("speakers")
        .order_by("part_id", "kind", "number")
    )


def plugs_known(job: Job) -> list[str]:
    """Names of plugs to choose from: those of this job, then those written down of its model."""
    used = job.channels.exclude(connector="").values_list("connector", flat=True)
    model = job.vehicle.vehicle_model_id
    tables = PlugTable.objects.filter(vehicle_model=model).values_list("name", flat=True)
    return list(dict.fromkeys([*used, *tables]))


@allow_any_staff
@require_safe
def channels(request: Request, number: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "channels")
    asked = request.GET.get("show", "")
    return _page(request, sheet, asked if asked in GROUPS else GROUPS[0])


@allow(*BENCH)
@require_POST
def add_adapter(request: Request, number: int) -> HttpResponse:
    """Add a lead between two plugs."""
    sheet = BaySheet.of(request, number, "channels")
    form = AdapterForm(request.POST, auto_id="adapter-%s")
    if form.is_valid():
        data = form.cleaned_data
        names = [data[one] for one in ("name", "from_plug", "to_plug")]
        key = token(request.POST.get("key"))
        try:
            leads.add_adapter(number, *names, actor=sheet.user, key=key)
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            return answers.reload(request, adapters.back_to(sheet))
    answer = _page(request, sheet, "wires", adapter_form=form)
    answer.status_code = 422
    return answer


@allow(*BENCH)
@require_POST
def add_pins(request: Request, number: int, pk: int) -> HttpResponse:
    """Write pins of a lead, a line each."""
    sheet = BaySheet.of(request, number, "channels")
    get_object_or_404(AdapterLead, pk=pk, job=sheet.job)
    form = PinsForm(request.POST, auto_id=f"pins-{pk}-%s")
    if form.is_valid():
        key = token(request.POST.get("key"))
        try:
            leads.write_pins(number, pk, form.pins, actor=sheet.user, key=key)
        except Refused as refused:
            form.add_error("text", refused.reasons[0])
        else:
            return answers.reload(request, adapters.back_to(sheet))
    answer = _page(request, sheet, "wires", pins=(pk, form))
    answer.status_code = 422
    return answer


def _page(
    request: Request,
    sheet: BaySheet,
    show: str,
    adapter_form: AdapterForm | None = None,
    pins: tuple[int, PinsForm] | None = None,
) -> HttpResponse:
    number = sheet.number
    rows = channels_of(sheet.job)
    context: dict[str, Any] = {"show": show, "parts_url": reverse("job_parts", args=[number])}
    shows: tuple[str, ...] = ("marks",)
    if show == "speakers":
        sources = sources_of(sheet.job)
        inputs = [part for part in sources if part.product.line_inputs]
        context["rows"] = [speakers_html(sheet, row, inputs) for row in rows]
        context["turn_on"] = [
            part_html(sheet, part, sources, template="bay/turn_on_row.html")
            for part in sources
            if part.product.kind != ProductKind.INTERFACE
        ]
        context["still_to_place"] = still_to_place_html(sheet)
        context["spots"] = picture.spots_html(sheet)
        context["body"] = picture.body_shape(sheet)
        context["view_box"] = picture.view_box()
        shows = ("marks", "spots", "left")
    elif show == "wires":
        context["rows"] = [wires_html(sheet, row) for row in rows]
        context["plugs_known"] = plugs_known(sheet.job)
        context["filled"] = FILLED
        context |= adapters.adapters_context(sheet, adapter_form, pins)
    elif show == "polarity":
        used = [row for row in rows if row.kind == Channel.Kind.AMPLIFIER and row.speakers.all()]
        context["rows"] = rows
        context["used"] = [proof_html(sheet, row) for row in used]
    elif show == "cables":
        context["rows"] = [
            cable_html(sheet, row) for row in rows if row.kind == Channel.Kind.AMPLIFIER
        ]
    else:
        after_rows = ChannelSetting.objects.filter(
            record__job=sheet.job, record__kind=TuningKind.AFTER
        )
        settings = {setting.channel_id: setting for setting in after_rows}
        context["rows"] = [
            settings_html(sheet, row, TuningKind.AFTER, settings.get(row.pk)) for row in rows
        ]
    return answers.page(request, sheet, "bay/channels.html", shows=shows, **context)


@allow(*BENCH)
@require_POST
def save(request: Request, number: int, pk: int) -> HttpResponse:
    """Save joining, bridging, load or feed of one channel."""
    fields = posted_speaker_fields(
        inputs_of(get_object_or_404(Job, number=number)) if "feeds_part" in request.POST else []
    )

    def read() -> Channel:
        return Channel.objects.select_related("part__product").get(pk=pk, job__number=number)

    def draw(sheet: BaySheet, row: Channel, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        inputs = inputs_of(sheet.job) if row.kind == Channel.Kind.LINE else []
        return speakers_html(sheet, row, inputs, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "channels",
        fields,
        partial(service.save_channel, number, pk, join=("part__product",)),
        draw,
        read,
    )


def _proving(request: Request, number: int, pk: int) -> answers.Save:
    """Saves cells of a channel; how its polarity was proved is kept for the next."""

    def save(changes: dict[str, Any], **by: Any) -> Saved:
        if named := changes.get("polarity_by"):
            request.session["polarity_by"] = named
        kept = request.session.get("polarity_by", "")
        return service.save_channel(number, pk, changes, **by, polarity_by=kept)

    return save


@allow(*BENCH)
@require_POST
def save_wire(request: Request, number: int, pk: int) -> HttpResponse:
    """Save plug, cavities, colours, polarity or note of one channel."""

    def read() -> Channel:
        return Channel.objects.select_related("part").get(pk=pk, job__number=number)

    def draw(sheet: BaySheet, row: Channel, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return wires_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "channels",
        wire_fields(),
        _proving(request, number, pk),
        draw,
        read,
    )


@allow(*BENCH)
@require_POST
def save_proof(request: Request, number: int, pk: int) -> HttpResponse:
    """Save what was proved of one channel's wire: polarity or load."""

    def read() -> Channel:
        return Channel.objects.select_related("part").get(pk=pk, job__number=number)

    def draw(sheet: BaySheet, row: Channel, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return proof_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "channels",
        proof_fields(),
        _proving(request, number, pk),
        draw,
        read,
    )


@allow(*BENCH)
@require_POST
def save_cable(request: Request, number: int, pk: int) -> HttpResponse:
    """Save the speaker cable of one channel."""

    def read() -> Channel:
        return Channel.objects.select_related("part").get(pk=pk, job__number=number)

    def draw(sheet: BaySheet, row: Channel, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return cable_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "channels",
        cable_fields(request.shop),
        partial(service.save_channel, number, pk),
        draw,
        read,
    )


@allow_any_staff
@require_safe
def cable(request: Request, number: int, pk: int) -> HttpResponse:
    """One speaker cable opened: each figure with its sum."""
    sheet = BaySheet.of(request, number, "channels")
    row = get_object_or_404(Channel.objects.select_related("part"), pk=pk, job=sheet.job)
    facts = sheet.cables.get(row.plan_id)
    figures = cable_figures_of(sheet.plan, facts) if facts else ()
    context = {
        "title": gettext("Speaker cable of %(channel)s") % {"channel": row.plan_id},
        "figures": figures,
    }
    return answers.dialog(request, sheet, "bay/cable.html", context)
