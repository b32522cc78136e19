"""Other programs that are told: listed, made, tried, looked at, ended."""

from collections.abc import Callable
from functools import partial

from django.contrib import messages
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.hooks import HookForm
from jobs.models import Hook, News
from jobs.services import hooks
from shop import branches
from shop.access import allow
from shop.http import Request
from shop.paging import page_of
from shop.roles import Role


def _labels(hook: Hook) -> list[str]:
    return [str(one.label) for one in News if one in hook.news]


@allow(Role.MANAGER, password=True)
@require_safe
def hook_list(request: Request) -> HttpResponse:
    """Every address of the person's branches and of the whole business, those in use first."""
    rows = Hook.objects.filter(branches.own() | Q(branch=None)).select_related("ended_by", "branch")
    listed = sorted(rows, key=lambda hook: hook.ended_at is not None)
    context = {"hooks": [(hook, _labels(hook)) for hook in listed]}
    return render(request, "api/hooks.html", context)


@allow(Role.MANAGER, password=True)
@never_cache
@sensitive_post_parameters()
def hook_create(request: Request) -> HttpResponse:
    """Add an address, and show the secret it checks with the one time."""
    posted = request.POST if request.method == "POST" else None
    form = HookForm(posted, request=request)
    if posted is not None and form.is_valid():
        data = form.cleaned_data
        try:
            hook, secret = hooks.make(
                data["name"], data["address"], data["news"], request.user, data.get("branch")
            )
        except Refused as refused:
            form.add_error("address", refused.reasons[0])
        else:
            return render(request, "api/hook_made.html", {"hook": hook, "secret": secret})
    return render(request, "api/hook_new.html", {"form": form}, status=422 if posted else 200)


@allow(Role.MANAGER, password=True, of=hooks.of_hook)
@require_safe
def hook(request: Request, pk: int) -> HttpResponse:
    """What an address was told, the newest first, and what it answered."""
    row = get_object_or_404(Hook.objects.select_related("made_by", "branch"), pk=pk)
    context = {"hook": row, "labels": _labels(row), "page": page_of(request, row.deliveries.all())}
    return render(request, "api/hook.html", context)


@allow(Role.MANAGER, password=True, of=hooks.of_hook)
@require_POST
def hook_end(request: Request, pk: int) -> HttpResponse:
    """Tell an address nothing more."""
    row = get_object_or_404(Hook, pk=pk)
    hooks.end(row.pk, request.user)
    messages.success(request, gettext("“%(hook)s” is told nothing any more.") % {"hook": row})
    return redirect("hook_list")


@allow(Role.MANAGER, password=True, of=hooks.of_hook)
@require_POST
def hook_test(request: Request, pk: int) -> HttpResponse:
    """Send a test."""
    said = gettext("A test is on its way: load this page again in a few seconds.")
    return _sent(request, pk, hooks.test, said)


@allow(Role.MANAGER, password=True, of=hooks.of_hook)
@require_POST
def hook_again(request: Request, pk: int, delivery: int) -> HttpResponse:
    """Send once more what was given up."""
    said = gettext("It goes out again: load this page again in a few seconds.")
    return _sent(request, pk, partial(hooks.again, delivery_pk=delivery), said)


def _sent(request: Request, pk: int, send: Callable[[int], object], said: str) -> HttpResponse:
    """Have something put on its way to an address; one that is ended refuses it."""
    row = get_object_or_404(Hook, pk=pk)
    try:
        send(row.pk)
    except Refused as refused:
        messages.error(request, refused.reasons[0])
    else:
        messages.success(request, said)
    return redirect("hook", row.pk)
