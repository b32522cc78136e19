"""The branches of the business, and which of them is looked at."""

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from shop.access import allow, allow_any_staff
from shop.forms.shop import BranchForm
from shop.http import Request
from shop.models import Branch
from shop.roles import Role
from shop.services.branches import SHOWN, save_branch
from shop.typed import own_path, row_key
from shop.views.saving import form_page


@allow_any_staff
@require_POST
def branch_show(request: Request) -> HttpResponse:
    """Look at another of the branches in which one works, until one signs out."""
    key = row_key(request.POST.get("branch"))
    if request.branches is not None and key in request.branches.own_keys:
        request.session[SHOWN] = key
    return redirect(own_path(request.POST.get("next")) or "board")


def _needs_the_whole(request: Request) -> None:
    """Raise PermissionDenied for a manager of some branches: opening and changing them is for
    those who have the whole business."""
    if request.branches is not None and not request.user.whole_business:
        raise PermissionDenied(
            gettext("Branches are for managers of the whole business. Ask one of them.")
        )


@allow(Role.MANAGER, password=True)
def branch_list(request: Request) -> HttpResponse:
    """The branches in the order of the switch."""
    _needs_the_whole(request)
    return render(request, "settings/branches.html", {"listed": Branch.objects.all()})


def _branch_page(request: Request, branch: Branch, **context: Any) -> HttpResponse:
    _needs_the_whole(request)
    form = BranchForm(request.POST or None, instance=branch)
    return form_page(
        request,
        form,
        notice=gettext("{} is saved."),
        to="branch_list",
        save=lambda: save_branch(form.save(commit=False), request.user),
        save_label=gettext("Save branch"),
        back_url=reverse("branch_list"),
        back_label=gettext("Branches"),
        **context,
    )


@allow(Role.MANAGER, password=True)
def branch_create(request: Request) -> HttpResponse:
    """Another place of the business."""
    branch = Branch(order=Branch.objects.count())
    return _branch_page(request, branch, title=gettext("New branch"))


@allow(Role.MANAGER, password=True)
def branch_edit(request: Request, pk: int) -> HttpResponse:
    """Change a branch."""
    branch = get_object_or_404(Branch, pk=pk)
    return _branch_page(request, branch, title=gettext("Change %(branch)s") % {"branch": branch})
