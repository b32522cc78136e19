"""Shared tablets: the manager's list, and the screen where staff sign in by name and PIN."""

import json
from typing import Any

from django.contrib import messages
from django.contrib.auth import logout
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render, resolve_url
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import branches
from shop.access import allow, allow_any_staff, public
from shop.first_page import page_for
from shop.forms.proof import AgainForm, PasswordForm
from shop.forms.tablets import MyPinForm, TabletForm
from shop.http import Request
from shop.models import StaffMember, Tablet
from shop.roles import Role
from shop.services import pins, second_factor, sign_in, sign_ins, tablets
from shop.services.branches import of_tablet
from shop.session_keys import BY_PIN
from shop.typed import own_path, row_key


def _next(request: Request) -> str:
    """Where to go after signing in: an address of our own, or nothing."""
    return own_path(request.POST.get("next") or request.GET.get("next"))


def _people(request: Request) -> list[StaffMember]:
    """Technicians, and everybody else with a PIN, by name; of several branches those of the
    tablet's bay."""
    bay = request.tablet.bay if request.tablet and request.shop.several_branches else None
    here = branches.working_in([bay.branch_id or 0]) if bay else Q()
    everybody = StaffMember.objects.filter(here, is_active=True)
    return [person for person in everybody if person.is_technician or person.pin]


def _screen(request: Request, status: int = 200, **context: Any) -> HttpResponse:
    htmx = bool(request.htmx)
    chosen = row_key(request.POST.get("person") or request.GET.get("person"))
    return render(
        request,
        "tablets/panel.html" if htmx else "tablets/switch.html",
        {
            "tablet": request.tablet,
            "people": _people(request),
            "chosen": chosen or 0,
            "next": _next(request),
            **context,
        },
        status=status,
    )


@public
@never_cache
@sensitive_post_parameters("pin")
@require_http_methods(["GET", "HEAD", "POST"])
def tablet_switch(request: Request) -> HttpResponse:
    """Names and PIN pad. The right PIN signs in and goes back to where the tablet was."""
    tablet: Tablet | None = request.tablet
    if tablet is None:
        status = 422 if request.method == "POST" else 200
        return render(request, "tablets/unknown.html", status=status)
    if request.method != "POST":
        if request.user.is_authenticated:
            return redirect(page_for(request.user, tablet, _next(request)))
        return _screen(request)
    person = StaffMember.objects.filter(pk=row_key(request.POST.get("person")) or 0).first()
    if person is None:
        return _screen(request, 422, said="Tap your name first.")
    try:
        pins.person_by_pin(tablet, person, request.POST.get("pin", ""))
    except pins.PinRefused as refused:
        sign_in.log_refused_pin(request, person, refused)
        return _screen(request, 422, said=refused.said, waiting=refused.wait_until is not None)
    reset_said = second_factor.reset_said(person)
    sign_ins.by_pin(request, person, tablet.pk)
    if reset_said:
        messages.warning(request, reset_said)
    if request.htmx:
        here = request.htmx.current_url_abs_path or ""
        unlocked = {"person": person.pk, "to": page_for(person, tablet, here)}
        return HttpResponse(
            status=204, headers={"HX-Trigger": json.dumps({"tablet-unlocked": unlocked})}
        )
    return redirect(page_for(person, tablet, _next(request)))


@allow_any_staff
@require_POST
def tablet_lock(request: Request) -> HttpResponse:
    """End the sign-in and show the names; the page behind the panel stays as it is."""
    was = request.user.pk
    sign_in.log(request, sign_in.SIGNED_OUT, request.user, actor=request.user)
    logout(request)
    if request.htmx and request.tablet is not None:
        return _screen(request, chosen=was)
    to = _next(request)
    return redirect(reverse("tablet_switch") + (f"?{urlencode({'next': to})}" if to else ""))


@allow(Role.MANAGER, password=True)
@require_safe
def tablet_list(request: Request) -> HttpResponse:
    """The registered tablets, those in use first."""
    here = branches.shown("bay__branch") | Q(bay=None)
    rows = Tablet.objects.filter(here).select_related("bay", "registered_by", "revoked_by")
    listed = sorted(rows, key=lambda tablet: tablet.revoked_at is not None)
    return render(request, "tablets/list.html", {"tablets": listed})


@allow(Role.MANAGER, password=True)
def tablet_register(request: Request) -> HttpResponse:
    """Register the device in front of the manager."""
    here: Tablet | None = request.tablet
    form = TabletForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        assert isinstance(request.user, StaffMember)
        tablet, token = tablets.register(
            form.cleaned_data["name"], form.cleaned_data["bay"], request.user, replaces=here
        )
        messages.success(
            request,
            gettext(
                "This device is now “%(tablet)s”. Lock it before you hand it over: you "
                "are still signed in."
            )
            % {"tablet": tablet},
        )
        response = redirect("tablet_list")
        tablets.remember(response, token)
        return response
    context = {"form": form, "here": here}
    return render(request, "tablets/register.html", context, status=422 if form.is_bound else 200)


@allow(Role.MANAGER, password=True, of=of_tablet)
@require_POST
def tablet_revoke(request: Request, pk: int) -> HttpResponse:
    """Take a tablet out of use at once."""
    tablet = get_object_or_404(Tablet, pk=pk)
    assert isinstance(request.user, StaffMember)
    tablets.revoke(tablet.pk, request.user)
    messages.success(
        request,
        gettext("“%(tablet)s” is out of use: no PIN opens it any more.") % {"tablet": tablet},
    )
    return redirect("tablet_list")


@allow_any_staff
@sensitive_post_parameters()
def my_pin(request: Request) -> HttpResponse:
    """Set one's own PIN."""
    person = request.user
    assert isinstance(person, StaffMember)
    form = MyPinForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        pins.set_pin(person, form.cleaned_data["pin"], by=person)
        sign_ins.renew_pin(request, person)
        sign_ins.end_all(person, but=request.session.session_key, by_pin_only=True)
        messages.success(request, gettext("Your PIN is set. It works on every registered tablet."))
        return redirect("board")
    status = 422 if form.is_bound else 200
    return render(request, "tablets/my_pin.html", {"form": form}, status=status)


@allow(*Role, before_set_up=True)
@never_cache
@sensitive_post_parameters()
def proof_again(request: Request) -> HttpResponse:
    """Ask a person to show again that it is them, and go on."""
    form = AgainForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        return redirect(_next(request) or resolve_url("board"))
    context = {"form": form, "next": _next(request), "again": True}
    status = 422 if form.is_bound else 200
    return render(request, "tablets/password.html", context, status=status)


@allow(*Role, before_set_up=True)
@never_cache
@sensitive_post_parameters()
def password_confirm(request: Request) -> HttpResponse:
    """Ask a person signed in by PIN for the password, and the second factor, and go on."""
    form = PasswordForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        request.session.cycle_key()
        request.session.pop(BY_PIN, None)
        second_factor.set_up_first(request, request.user, request.shop)
        return redirect(_next(request) or resolve_url("board"))
    context = {"form": form, "next": _next(request)}
    status = 422 if form.is_bound else 200
    return render(request, "tablets/password.html", context, status=status)
