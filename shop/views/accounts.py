"""Signing in and out, and the password."""

from datetime import timedelta
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import views as auth_views
from django.contrib.auth.forms import PasswordChangeForm
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.utils.http import urlencode
from django.views.decorators.http import require_safe

from shop.access import allow_any_staff, public
from shop.http import Request
from shop.models import StaffMember
from shop.services import events


class _SignIn(auth_views.LoginView):
    template_name = "accounts/login.html"
    redirect_authenticated_user = True

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(nobody_yet=not StaffMember.objects.exists(), **kwargs)

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """On a registered tablet names and PIN come first; `?by=password` asks for this page."""
        if getattr(request, "tablet", None) is not None and request.GET.get("by") != "password":
            to = self.get_redirect_url()
            query = f"?{urlencode({'next': to})}" if to else ""
            return redirect(reverse_lazy("tablet_switch") + query)
        return super().get(request, *args, **kwargs)


class _ChangePassword(auth_views.PasswordChangeView):
    template_name = "accounts/password_change.html"
    success_url = reverse_lazy("board")

    @transaction.atomic
    def form_valid(self, form: PasswordChangeForm) -> HttpResponse:
        messages.success(self.request, "Your password is changed.")
        person = form.user
        events.log(person, "staffmember.changed", person, after={"password": events.SET})
        return super().form_valid(form)


login = public(_SignIn.as_view())
logout = allow_any_staff(auth_views.LogoutView.as_view())
password_change = allow_any_staff(_ChangePassword.as_view())


@public
def locked_out(request: Request, *_: Any) -> HttpResponse:
    """Why sign-in is shut for a while after many wrong passwords."""
    wait = timedelta(hours=settings.AXES_COOLOFF_TIME)
    answer = render(request, "accounts/locked_out.html", status=429)
    answer["Retry-After"] = str(int(wait.total_seconds()))
    return answer


@allow_any_staff
@require_safe
def home(request: Request) -> HttpResponse:
    """The board is the first page."""
    return redirect("board")
