"""Saved setups: the list, keeping one from a signed sheet, and applying one to a job."""

from typing import Any, Final

from django.contrib import messages
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.forms.setups import SetupForm, WithdrawForm
from jobs.models import InstallSheet, SavedSetup, SetupState
from jobs.plan.car_drawing import car_with_channels
from jobs.plan.columns import setting_values
from jobs.setups import library as setups, words as words
from jobs.setups.diff import differences
from jobs.setups.document import SetupError, plan_in, upgrade
from jobs.setups.match import Matches
from jobs.setups.power import run_values
from jobs.wording import Local
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.paging import page_of
from shop.roles import BENCH, Role

_HEAVY: Final = ("from_sheet__document", "from_sheet__pdf")


def _listed() -> Any:
    return SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job").defer(
        *_HEAVY
    )


@allow_any_staff
def setup_list(request: Request) -> HttpResponse:
    """Every setup by vehicle model; `q` looks in model and name."""
    text = request.GET.get("q", "").strip()
    setups = _listed()
    for word in text.split():
        setups = setups.filter(
            Q(name__icontains=word)
            | Q(vehicle_model__make__icontains=word)
            | Q(vehicle_model__model__icontains=word)
            | Q(vehicle_model__trim__icontains=word)
        )
    withdrawn = "withdrawn" in request.GET
    if withdrawn:
        setups = setups.filter(state=SetupState.WITHDRAWN)
    else:
        setups = setups.exclude(state=SetupState.WITHDRAWN)
    page = page_of(request, setups.order_by("vehicle_model", "state", "name"))
    context = {"page": page, "text": text, "withdrawn": withdrawn}
    return render(request, "setups/list.html", context)


@allow_any_staff
def setup(request: Request, pk: int) -> HttpResponse:
    """One setup: where it comes from and what it holds."""
    return _page(
        request,
        get_object_or_404(
            SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job"), pk=pk
        ),
    )


def _page(
    request: Request, setup: SavedSetup, withdraw: WithdrawForm | None = None, status: int = 200
) -> HttpResponse:
    context: dict[str, Any] = {
        "setup": setup,
        "comebacks": setups.comebacks_since(setup),
        "withdraw_form": withdraw or WithdrawForm(),
        "may_edit": not request.user.roles.isdisjoint(BENCH),
    }
    try:
        version = setup.current
        document = upgrade(version.document)
        plan = plan_in(document)
    except SetupError as error:
        return render(request, "setups/page.html", {**context, "unreadable": str(error)})
    shop = request.shop
    local = Local(shop.units, shop.time_zone)
    nothing = Matches()
    context |= {
        "picture": car_with_channels(plan, document["vehicle"]["body_shape"]),
        "source": document["source"],
        "products": sorted(document["products"].items()),
        "channels": [
            (one.id, words.channel(one, nothing, local), words.setting(setting_values(one.setting)))
            for one in plan.channels
            if one.speakers or one.feeds_device
        ],
        "runs": [(run.id, words.run(run_values(run, nothing), local)) for run in plan.runs],
        "other_settings": document["other_settings"],
        "document": document,
        "version": version,
        "wires": document["wires"],
        "step_notes": [one for one in document["step_notes"] if one["note"] or one["reading"]],
    }
    return render(request, "setups/page.html", context, status=status)


@allow(*BENCH)
def setup_create(request: Request, number: int, revision: int) -> HttpResponse:
    """Keep a signed sheet's plan and settings as a setup of its vehicle model."""
    sheet = get_object_or_404(
        InstallSheet.objects.defer("document", "pdf").select_related("job__vehicle__vehicle_model"),
        job__number=number,
        revision=revision,
    )
    form = SetupForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            setup = setups.create_setup(
                sheet.pk,
                form.cleaned_data["name"],
                form.cleaned_data["note"],
                request.user,
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            messages.success(
                request,
                gettext("“%(setup)s” is saved for %(vehicle_model)s.")
                % {"setup": setup.name, "vehicle_model": setup.vehicle_model},
            )
            return redirect("setup", setup.pk)
    context = {"form": form, "sheet": sheet, "model": sheet.job.vehicle.vehicle_model}
    return render(request, "setups/form.html", context, status=422 if form.is_bound else 200)


@allow(*BENCH)
def setup_edit(request: Request, pk: int) -> HttpResponse:
    """Change a setup's name and note."""
    setup = get_object_or_404(_listed(), pk=pk)
    form = SetupForm(request.POST or None, initial={"name": setup.name, "note": setup.note})
    if request.method == "POST" and form.is_valid():
        try:
            setups.edit_setup(
                pk,
                form.cleaned_data["name"],
                form.cleaned_data["note"],
                request.user,
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            messages.success(request, gettext("Saved."))
            return redirect("setup", pk)
    context = {"form": form, "setup": setup, "model": setup.vehicle_model}
    return render(request, "setups/form.html", context, status=422 if form.is_bound else 200)


@allow(Role.MANAGER)
@require_POST
def setup_withdraw(request: Request, pk: int) -> HttpResponse:
    """Withdraw a setup for good, with a reason."""
    setup = get_object_or_404(
        SavedSetup.objects.select_related("vehicle_model", "by", "from_sheet__job"), pk=pk
    )
    form = WithdrawForm(request.POST)
    if not form.is_valid():
        return _page(request, setup, form, status=422)
    try:
        setups.withdraw_setup(pk, form.cleaned_data["reason"], request.user)
    except Refused as refused:
        form.add_error("reason", refused.reasons[0])
        return _page(request, setup, form, status=422)
    messages.success(
        request,
        gettext("“%(setup)s” is withdrawn. Jobs that used it are as they were.")
        % {"setup": setup.name},
    )
    return redirect("setup", pk)


@allow(Role.MANAGER)
@require_POST
def setup_approve(request: Request, pk: int) -> HttpResponse:
    """Approve a draft: it is offered first from now on."""
    return _change(request, pk, setups.approve_setup, "is approved: it is offered first now.")


@allow(Role.MANAGER)
@require_POST
def setup_bring_back(request: Request, pk: int) -> HttpResponse:
    """Make a withdrawn setup a draft again."""
    return _change(request, pk, setups.bring_back, "is a draft again.")


def _change(request: Request, pk: int, change: Any, done: str) -> HttpResponse:
    get_object_or_404(SavedSetup, pk=pk)
    try:
        setup = change(pk, request.user)
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
    else:
        messages.success(request, f"“{setup.name}” {done}")
    return redirect("setup", pk)


@allow_any_staff
def setup_versions(request: Request, pk: int) -> HttpResponse:
    """Every version of a setup, the newest first, each with what it says otherwise."""
    setup = get_object_or_404(SavedSetup.objects.select_related("vehicle_model"), pk=pk)
    shop = request.shop
    local = Local(shop.units, shop.time_zone)
    versions = list(setup.versions.select_related("by", "from_sheet__job").defer(*_HEAVY))
    told = []
    for version, older in zip(versions, [*versions[1:], None], strict=True):
        differing, unreadable = [], ""
        if older is not None:
            try:
                differing = differences(older.document, version.document, local)
            except SetupError as error:
                unreadable = str(error)
        told.append((version, differing, unreadable))
    context = {"setup": setup, "versions": told, "events": setup.events.select_related("actor")}
    return render(request, "setups/versions.html", context)
