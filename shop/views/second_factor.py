"""The second factor: asked for after the password, and kept on the person's own page."""

from typing import Any

import segno
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, JsonResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow, public
from shop.forms.second_factor import AppForm, PasskeyForm, SecondFactorForm
from shop.http import Request
from shop.models import CodeApp, Passkey, StaffMember
from shop.roles import Role
from shop.services import code_apps, passkeys, second_factor, sign_in
from shop.services.branches import of_staff
from shop.session_keys import SET_UP_FIRST
from shop.typed import row_key
from shop.views.accounts import enter, shut

own_page = allow(*Role, password=True, again=True, before_set_up=True)
"""Of whoever has just shown that it is them, the second factor included where there is one."""


def _posted(request: HttpRequest) -> QueryDict | None:
    """What was sent, also where that is nothing; None where a page is only asked for."""
    return request.POST if request.method == "POST" else None


# After the password -------------------------------------------------------------------------------


@public
@never_cache
@sensitive_post_parameters()
def show(request: Request) -> HttpResponse:
    """Ask whoever's password was right for the second factor, and sign them in."""
    held = second_factor.held(request)
    if held is None:
        if not request.user.is_authenticated:
            messages.info(request, gettext("Begin again with your password."))
        return redirect("login")
    form = SecondFactorForm(_posted(request), request=request, asked=held.person)
    if request.method == "POST" and form.is_valid():
        answer = enter(request, held.person, held.to, form.shown)
        if form.cleaned_data.get("remember"):
            second_factor.remember(answer, held.person, request.shop)
        if form.shown == second_factor.RECOVERY:
            left = second_factor.codes_left(held.person)
            messages.warning(
                request,
                gettext(
                    "That recovery code is used up; %(left)s are left. New ones are made on the "
                    "page of your second factor."
                )
                % {"left": left},
            )
        return answer
    if waiting := sign_in.waiting_of(request):
        return shut(request, waiting)
    context = {"form": form, "person": held.person}
    status = 422 if form.is_bound else 200
    return render(request, "accounts/second_factor_show.html", context, status=status)


@public
@never_cache
@require_POST
def show_options(request: Request) -> HttpResponse:
    """What the browser needs to show a passkey: of whoever is signed in, or about to be."""
    held = second_factor.held(request)
    person = request.user if request.user.is_authenticated else held and held.person
    if person is None or not passkeys.possible(request):
        return JsonResponse({}, status=422)
    return JsonResponse(passkeys.options_to_show(request, person))


# One's own page -----------------------------------------------------------------------------------


@own_page
@require_safe
def own(request: Request) -> HttpResponse:
    """What the person has, and what can be added or taken away."""
    return _own_page(request)


def _own_page(request: Request, refused: str = "", status: int = 200) -> HttpResponse:
    person = request.user
    context = {
        "app": CodeApp.objects.filter(person=person).first(),
        "passkeys": Passkey.objects.filter(person=person),
        "codes_left": second_factor.codes_left(person),
        "needed": second_factor.needs_one(person, request.shop),
        "first": SET_UP_FIRST in request.session,
        "refused": refused,
        **_address_facts(request),
    }
    context["has_one"] = bool(context["app"] or context["passkeys"])
    return render(request, "accounts/second_factor.html", context, status=status)


def _address_facts(request: HttpRequest) -> dict[str, Any]:
    return {"possible": passkeys.possible(request), "host": passkeys.host_of(request)}


def _codes_page(request: Request, codes: list[str]) -> HttpResponse:
    """The recovery codes, the one time they are shown."""
    return render(request, "accounts/recovery_codes.html", {"codes": codes})


def _qr(text: str) -> SafeString:
    """A QR code as SVG in the page, without a style of its own; alike for every reader."""
    drawn = segno.make(text, error="m", micro=False)
    svg = drawn.svg_inline(scale=4, border=4, dark="#000000", light="#ffffff", omitsize=True)
    return mark_safe(svg)


@own_page
@never_cache
@sensitive_post_parameters()
def app(request: Request) -> HttpResponse:
    """Give an app its key, and take its first code."""
    form = AppForm(_posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            codes = second_factor.set_up_app(request, request.user, form.cleaned_data["second"])
        except second_factor.Refused as refused:
            form.add_error("second", refused.said)
        else:
            messages.success(request, gettext("Your app is set up as your second factor."))
            return _codes_page(request, codes) if codes else redirect("second_factor")
    sealed = second_factor.new_key(request)
    address = code_apps.address(sealed, request.user, f"Loombook {request.shop.name}")
    context = {
        "form": form,
        "qr": _qr(address),
        "key": code_apps.as_text(sealed),
        "address": address,
        "replaces": CodeApp.objects.filter(person=request.user).exists(),
    }
    status = 422 if form.is_bound else 200
    return render(request, "accounts/second_factor_app.html", context, status=status)


@own_page
@never_cache
@sensitive_post_parameters("passkey")
def passkey(request: Request) -> HttpResponse:
    """Make a passkey on this device and keep its public half."""
    form = PasskeyForm(_posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            _, codes = second_factor.set_up_passkey(
                request, request.user, form.cleaned_data["name"], form.cleaned_data["passkey"]
            )
        except second_factor.Refused as refused:
            form.add_error("name", refused.said)
        else:
            messages.success(request, gettext("The passkey is set up as your second factor."))
            return _codes_page(request, codes) if codes else redirect("second_factor")
    context = {"form": form, **_address_facts(request)}
    status = 422 if form.is_bound else 200
    return render(request, "accounts/second_factor_passkey.html", context, status=status)


@own_page
@never_cache
@require_POST
def make_options(request: Request) -> HttpResponse:
    """What the browser needs to make a passkey."""
    if not passkeys.possible(request):
        return JsonResponse({}, status=422)
    return JsonResponse(passkeys.options_to_make(request, request.user, request.shop.name))


@own_page
@require_POST
def remove(request: Request) -> HttpResponse:
    """Take the app away, or the passkey of that key."""
    key = row_key(request.POST.get("passkey"))
    try:
        gone = second_factor.remove(request, request.user, request.shop, key)
    except second_factor.Refused as refused:
        return _own_page(request, refused.said, 422)
    said = gettext("It is taken away.") if gone else gettext("It was taken away already.")
    messages.success(request, said)
    return redirect("second_factor")


@own_page
@never_cache
@require_POST
def codes(request: Request) -> HttpResponse:
    """Make new recovery codes in the place of the old ones."""
    if not second_factor.has_one(request.user):
        return _own_page(request, gettext("Set up an app or a passkey first."), 422)
    return _codes_page(request, second_factor.new_codes(request.user))


# Somebody else's ----------------------------------------------------------------------------------


@allow(Role.MANAGER, password=True, again=True, of=of_staff)
def reset(request: Request, pk: int) -> HttpResponse:
    """Take away what somebody had as a second factor, as when their phone is lost."""
    person = get_object_or_404(StaffMember, pk=pk)
    if request.method != "POST":
        context = {"person": person, "has_one": second_factor.has_one(person)}
        return render(request, "accounts/second_factor_reset.html", context)
    try:
        second_factor.reset(person, request.user)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(
            request,
            gettext(
                "%(person)s has no second factor any more and is signed out everywhere. They are "
                "told at the next sign-in."
            )
            % {"person": person},
        )
    return redirect("staff_edit", pk)
