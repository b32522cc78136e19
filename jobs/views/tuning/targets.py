"""The shop's target curves and the limits of a proposal."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.forms.tuning.targets import LimitsForm, TargetForm
from jobs.models import Microphone, ProposalLimits, ShopTarget
from jobs.plan.measured import SUPPLIED, check_points, in_place_of, target_of, target_plot
from shop.access import allow
from shop.http import Request
from shop.roles import Role
from shop.services import events
from shop.views.saving import form_page


@allow(Role.MANAGER, password=True)
def target_list(request: Request) -> HttpResponse:
    """Every target curve, and what a proposal may do."""
    own = list(ShopTarget.objects.all())
    names = {row.name for row in own}
    form = LimitsForm(request.POST or None, instance=ProposalLimits.current())
    if request.method == "POST" and form.is_valid():
        events.save(form.save(commit=False), request.user)
        messages.success(request, gettext("The limits are saved."))
        return redirect("target_list")
    context = {
        "own": own,
        "supplied": [one for one in SUPPLIED if one.name not in names],
        "form": form,
        "microphones": Microphone.objects.all(),
    }
    return render(request, "tuning/targets.html", context, status=422 if form.errors else 200)


def _page(request: Request, target: ShopTarget, **context: Any) -> HttpResponse:
    form = TargetForm(request.POST or None, instance=target)
    points = target.points or []
    return form_page(
        request,
        form,
        notice=gettext("{} is saved."),
        to="target_list",
        template="tuning/target.html",
        save_label=gettext("Save target curve"),
        back_url=reverse("target_list"),
        back_label=gettext("Tuning"),
        plot=target_plot(target_of(target.name or gettext("New"), points))
        if points and not check_points(points)
        else "",
        held=target,
        instead=in_place_of(target),
        **context,
    )


@allow(Role.MANAGER, password=True)
def target_create(request: Request) -> HttpResponse:
    """A new curve, or a copy of a supplied one to change (`?from=Warm`)."""
    given = next((one for one in SUPPLIED if one.name == request.GET.get("from")), None)
    target = ShopTarget()
    if given is not None:
        target = ShopTarget(name=given.name, points=[list(one) for one in given.points])
    return _page(request, target, title=gettext("New target curve"))


@allow(Role.MANAGER, password=True)
def target_edit(request: Request, pk: int) -> HttpResponse:
    """Change a curve."""
    target = get_object_or_404(ShopTarget, pk=pk)
    return _page(request, target, title=gettext("Change %(target)s") % {"target": target.name})


@allow(Role.MANAGER, password=True)
@require_POST
def target_remove(request: Request, pk: int) -> HttpResponse:
    """Remove a curve; a supplied one of its name is offered again."""
    target = get_object_or_404(ShopTarget, pk=pk)
    events.delete(target, request.user)
    messages.success(request, gettext("%(target)s is removed.") % {"target": target.name})
    return redirect("target_list")
