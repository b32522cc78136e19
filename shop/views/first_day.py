"""The first day: a short path for the owner of an empty book."""

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow
from shop.first_day import first_steps
from shop.http import Request
from shop.models import Shop
from shop.roles import Role
from shop.services.first_day import leave_out
from shop.typed import one_of


@allow(Role.MANAGER)
@require_safe
def first_day(request: Request) -> HttpResponse:
    """What is said already, and what may come next."""
    steps = first_steps(Shop.objects.current())
    left = [step for step in steps if not step.done and not step.left_out]
    context = {"steps": steps, "next_step": left[0] if left else None, "left": len(left)}
    return render(request, "settings/first_day.html", context)


@allow(Role.MANAGER)
@require_POST
def first_day_leave(request: Request) -> HttpResponse:
    """Leave a step out, or take it up again."""
    names = [step.name for step in first_steps(Shop.objects.current())]
    if name := one_of(request.POST.get("step"), names):
        leave_out(name, "out" in request.POST, request.user)
    return redirect("first_day")
