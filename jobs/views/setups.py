"""Saved setups: the list, keeping one from a signed sheet, and applying one to a job."""

from typing import Any, Final, NamedTuple

from django.contrib import messages
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from jobs.forms.setups import Choices, SetupForm, WithdrawForm
from jobs.models import InstallSheet, Job, JobEvent, SavedSetup
from jobs.pdf.wording import Local
from jobs.pictures import car_with_channels
from jobs.services import setup_words as words
from jobs.services import setups
from jobs.services import undo as undoing
from jobs.services.errors import ChangedMeanwhile, Refused
from jobs.services.setup_channels import setting_values
from jobs.services.setup_document import SetupError, plan_in
from jobs.services.setup_items import Item
from jobs.services.setup_match import Matches
from jobs.services.setup_power import run_values
from jobs.wiring_adapter import findings_of
from shop.access import allow, allow_any_staff
from shop.paging import page_of
from shop.roles import Role

BENCH: Final = (Role.TECHNICIAN, Role.MANAGER)
GROUPS: Final = (
    ("parts", "Parts that stand for each other"),
    ("speakers", "Speakers in their places"),
    ("channels", "Channels and wires"),
    ("settings", "Settings, into the record as left"),
    ("power", "Power"),
    ("other", "Other settings"),
)


class Group(NamedTuple):
    """A table of the preview: its items, each with whether it is taken."""

    id: str
    title: str
    rows: list[tuple[Item, bool]]


def _listed() -> Any:
    return SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job").defer(
        "document", "from_sheet__document", "from_sheet__pdf"
    )


@allow_any_staff
def setup_list(request: HttpRequest) -> HttpResponse:
    """Every setup by vehicle model; `q` looks in model and name."""
    text = request.GET.get("q", "").strip()
    found = _listed()
    for word in text.split():
        found = found.filter(
            Q(name__icontains=word)
            | Q(vehicle_model__make__icontains=word)
            | Q(vehicle_model__model__icontains=word)
            | Q(vehicle_model__trim__icontains=word)
        )
    page = page_of(request, found.order_by("vehicle_model", "name"))
    return render(request, "setups/list.html", {"page": page, "text": text})


@allow_any_staff
def setup(request: HttpRequest, pk: int) -> HttpResponse:
    """One setup: where it comes from and what it holds."""
    return _page(
        request,
        get_object_or_404(
            SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job"), pk=pk
        ),
    )


def _page(
    request: HttpRequest, found: SavedSetup, withdraw: WithdrawForm | None = None, status: int = 200
) -> HttpResponse:
    context: dict[str, Any] = {
        "setup": found,
        "withdraw_form": withdraw or WithdrawForm(),
        "may_edit": not request.user.roles.isdisjoint(BENCH),  # type: ignore[union-attr]
    }
    try:
        plan = plan_in(found.document)
    except SetupError as error:
        return render(request, "setups/page.html", {**context, "unreadable": str(error)})
    shop = request.shop  # type: ignore[attr-defined]
    local = Local(shop.units, shop.time_zone)
    nothing = Matches()
    context |= {
        "picture": car_with_channels(plan, found.document["vehicle"]["body_shape"]),
        "source": found.document["source"],
        "products": sorted(found.document["products"].items()),
        "channels": [
            (one.id, words.channel(one, nothing), words.setting(setting_values(one.setting)))
            for one in plan.channels
            if one.speakers or one.feeds_device
        ],
        "runs": [(run.id, words.run(run_values(run, nothing), local)) for run in plan.runs],
        "other_settings": found.document["other_settings"],
    }
    return render(request, "setups/page.html", context, status=status)


@allow(*BENCH)
def setup_create(request: HttpRequest, number: int, revision: int) -> HttpResponse:
    """Keep a signed sheet's plan and settings as a setup of its vehicle model."""
    sheet = get_object_or_404(
        InstallSheet.objects.defer("document", "pdf").select_related("job__vehicle__vehicle_model"),
        job__number=number,
        revision=revision,
    )
    form = SetupForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = setups.create_setup(
                sheet.pk,
                form.cleaned_data["name"],
                form.cleaned_data["note"],
                request.user,  # type: ignore[arg-type]
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            messages.success(request, f"“{made.name}” is saved for {made.vehicle_model}.")
            return redirect("setup", made.pk)
    context = {"form": form, "sheet": sheet, "model": sheet.job.vehicle.vehicle_model}
    return render(request, "setups/form.html", context, status=422 if form.is_bound else 200)


@allow(*BENCH)
def setup_edit(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a setup's name and note."""
    found = get_object_or_404(_listed(), pk=pk)
    form = SetupForm(request.POST or None, initial={"name": found.name, "note": found.note})
    if request.method == "POST" and form.is_valid():
        try:
            setups.edit_setup(
                pk,
                form.cleaned_data["name"],
                form.cleaned_data["note"],
                request.user,  # type: ignore[arg-type]
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            messages.success(request, "Saved.")
            return redirect("setup", pk)
    context = {"form": form, "setup": found, "model": found.vehicle_model}
    return render(request, "setups/form.html", context, status=422 if form.is_bound else 200)


@allow(Role.MANAGER)
@require_POST
def setup_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw a setup for good, with a reason."""
    found = get_object_or_404(
        SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job"), pk=pk
    )
    form = WithdrawForm(request.POST)
    if not form.is_valid():
        return _page(request, found, form, status=422)
    setups.delete_setup(pk, form.cleaned_data["reason"], request.user)  # type: ignore[arg-type]
    messages.success(request, f"“{found.name}” is withdrawn. Jobs that used it are as they were.")
    return redirect("setup_list")


@allow(*BENCH)
def setup_apply(request: HttpRequest, number: int, pk: int) -> HttpResponse:
    """Show what applying a setup would do, item by item; on POST take over what was chosen."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    found = get_object_or_404(
        SavedSetup.objects.select_related("vehicle_model", "from_sheet__job"), pk=pk
    )
    refused: list[str] = []
    if request.method == "POST":
        try:
            choices = Choices(setups.preview(found, job), request.POST)
            applied = setups.apply_setup(
                number,
                pk,
                choices.keys,
                request.POST.get("token", ""),
                request.user,  # type: ignore[arg-type]
            )
        except ChangedMeanwhile as changed:
            refused = changed.reasons
        except Refused as reason:
            refused = reason.reasons
        else:
            return redirect("setup_applied", number, applied.event.pk)
    return _preview(request, job, found, refused)


def _preview(request: HttpRequest, job: Job, found: SavedSetup, refused: list[str]) -> HttpResponse:
    context: dict[str, Any] = {"job": job, "setup": found, "refused": refused}
    status = 422 if refused else 200
    try:
        comparison = setups.preview(found, job)
    except Refused as reason:
        context["refused"] = reason.reasons
        return render(request, "setups/apply.html", context, status=422)
    choices = Choices(comparison, request.POST or None)
    groups = [
        Group(group, title, [(item, choices.taken(item)) for item in comparison.of(group)])
        for group, title in GROUPS
        if comparison.of(group)
    ]
    states = [item.state for item in comparison.items]
    context |= {
        "groups": groups,
        "token": comparison.token,
        "new": states.count("new"),
        "differs": states.count("differs"),
        "impossible": states.count("impossible"),
        "same": states.count("same"),
        "closed": not job.sheet_is_open,
    }
    return render(request, "setups/apply.html", context, status=status)


def _applied(number: int, pk: int) -> JobEvent:
    return get_object_or_404(
        JobEvent.objects.select_related("job__vehicle__vehicle_model", "actor"),
        pk=pk,
        code="setup.applied",
        job__number=number,
    )


@allow(*BENCH)
def setup_applied(request: HttpRequest, number: int, pk: int) -> HttpResponse:
    """What applying a setup took over and left, what the checks say now, and the way back."""
    event = _applied(number, pk)
    findings = findings_of(event.job)
    context = {
        "job": event.job,
        "event": event,
        "undone": event.job.events.filter(key=f"undo-{event.pk}").exists(),
        "stops": sum(one.severity == "stop" for one in findings),
        "cautions": sum(one.severity == "caution" for one in findings),
    }
    return render(request, "setups/applied.html", context)


@allow(*BENCH)
@require_POST
def setup_undo(request: HttpRequest, number: int, pk: int) -> HttpResponse:
    """Put back every row as it was before a setup was applied."""
    event = _applied(number, pk)
    try:
        undoing.undo(number, event.pk, request.user)  # type: ignore[arg-type]
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
        return redirect("setup_applied", number, pk)
    except LookupError:
        raise Http404("There is nothing to undo.") from None
    messages.success(request, f"Undone: {event.job} is as it was before “{event.after['name']}”.")
    return redirect(event.job)
