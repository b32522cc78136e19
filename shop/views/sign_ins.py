"""Where a person is signed in: their own list, a manager's of anybody, and ending what is open."""

from django.contrib import messages
from django.contrib.auth import logout
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow, allow_any_staff, ask_again
from shop.http import Request
from shop.models import StaffMember
from shop.roles import Role
from shop.services import sign_in, sign_ins
from shop.services.branches import of_staff
from shop.typed import token


def _page(request: Request, person: StaffMember) -> HttpResponse:
    own = person == request.user
    here = request.session.session_key
    listed = [
        (sign_ins.mark_of(one), one, one.session_key == here)
        for one in sign_ins.open_of(person, request.shop)
    ]
    context = {
        "person": person,
        "own": own,
        "listed": listed,
        "others": sum(not is_here for _, _, is_here in listed),
        "end_url": reverse("sign_in_end")
        if own
        else reverse("staff_sign_in_end", args=[person.pk]),
    }
    return render(request, "accounts/sign_ins.html", context)


def _end(request: Request, person: StaffMember) -> HttpResponse:
    mark, own = token(request.POST.get("mark")), person == request.user
    if own and mark and mark == _mark_of_here(request):
        sign_in.log(request, sign_in.SIGNED_OUT, person, actor=request.user)
        logout(request)
        return redirect("login")
    back = redirect("sign_ins") if own else redirect("staff_sign_ins", person.pk)
    if first := ask_again(request, back.url):
        return first
    if mark:
        ended = sign_ins.end_one(person, mark)
    else:
        ended = sign_ins.end_all(person, but=request.session.session_key if own else None)
    if ended:
        sign_in.log(request, sign_in.SIGNED_OUT, person, actor=request.user, sign_ins=ended)
        said = ngettext(
            "%(count)s sign-in is ended. What was typed there stays on the device.",
            "%(count)s sign-ins are ended. What was typed there stays on the device.",
            ended,
        )
        messages.success(request, said % {"count": ended})
    else:
        messages.info(request, gettext("It had ended already."))
    return back


def _mark_of_here(request: Request) -> str:
    row = sign_ins.here(request)
    return sign_ins.mark_of(row) if row else ""


@allow_any_staff
@require_safe
def own_list(request: Request) -> HttpResponse:
    """Where the person is signed in."""
    return _page(request, request.user)


@allow_any_staff
@require_POST
def own_end(request: Request) -> HttpResponse:
    """End this one (`mark`); or another of one's own, or all others, having shown lately who one
    is: whoever sits down at an open device ends nothing elsewhere."""
    return _end(request, request.user)


@allow(Role.MANAGER, password=True, of=of_staff)
@require_safe
def staff_list(request: Request, pk: int) -> HttpResponse:
    """Where a member of staff is signed in."""
    return _page(request, get_object_or_404(StaffMember, pk=pk))


@allow(Role.MANAGER, password=True, of=of_staff)
@require_POST
def staff_end(request: Request, pk: int) -> HttpResponse:
    """End one sign-in of a member of staff (`mark`), or all."""
    return _end(request, get_object_or_404(StaffMember, pk=pk))
