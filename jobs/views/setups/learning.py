"""What a signed job did otherwise than its setup, and folding it into a new version."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import SetupUse
from jobs.setups import learning as setup_learning
from jobs.setups.diff import GROUPS
from shop.access import allow
from shop.http import Request
from shop.roles import Role
from shop.typed import whole


@allow(Role.MANAGER)
def setup_learn(request: Request, number: int, pk: int) -> HttpResponse:
    """The differences, each to be folded or left; on POST a new version."""
    use = get_object_or_404(
        SetupUse.objects.select_related("setup__vehicle_model", "job__vehicle__vehicle_model"),
        pk=pk,
        job__number=number,
    )
    refused: list[str] = []
    if request.method == "POST":
        try:
            version = setup_learning.learn(
                pk,
                request.POST.getlist("fold"),
                request.POST.get("note", "")[:500],
                request.user,
                on=whole(request.POST.get("on")) or 0,
            )
        except Refused as reason:
            refused = reason.reasons
        else:
            if version is None:
                messages.success(request, gettext("Looked at: the setup stays as it is."))
                return redirect(use.job)
            messages.success(
                request,
                gettext("“%(setup)s” has version %(version)s now.")
                % {"setup": use.setup.name, "version": version.number},
            )
            return redirect("setup_versions", use.setup_id)
    try:
        lessons = setup_learning.lessons(use)
    except Refused as reason:
        lessons, refused = [], refused or reason.reasons
    groups = [
        (title, [one for one in lessons if one.group == group])
        for group, title in GROUPS
        if any(one.group == group for one in lessons)
    ]
    context = {
        "use": use,
        "groups": groups,
        "refused": refused,
        "chosen": request.POST.getlist("fold"),
        "note": request.POST.get("note", ""),
    }
    return render(request, "setups/learn.html", context, status=422 if refused else 200)
