"""Signing in and out, and the password."""

from typing import Any, cast

from django.contrib import messages
from django.contrib.auth import views as auth_views
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.contrib.auth.hashers import check_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse, reverse_lazy
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from shop.access import allow, allow_any_staff, public
from shop.first_day import is_new
from shop.first_page import first_page
from shop.forms.people import LanguageForm
from shop.http import Request
from shop.models import StaffMember
from shop.roles import Role
from shop.services import events, second_factor, sign_in, sign_ins
from shop.session_keys import BY_PIN, proved_lately
from shop.typed import own_path
from shop.views.saving import form_page


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

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """In, or on to the page that asks for the second factor."""
        person, request = form.get_user(), cast(Request, self.request)
        assert isinstance(person, StaffMember)
        to, second = self.get_success_url(), ""
        if second_factor.has_one(person):
            if not second_factor.is_remembered(request, person, request.shop):
                second_factor.hold(request, person, to)
                return redirect("second_factor_show")
            second = second_factor.KNOWN_DEVICE
        return enter(request, person, to, second)

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        if waiting := sign_in.waiting_of(self.request):
            return shut(self.request, waiting)
        return super().form_invalid(form)


class _Leave(auth_views.LogoutView):
    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        person = request.user
        assert isinstance(person, StaffMember)
        sign_in.log(request, sign_in.SIGNED_OUT, person, actor=person)
        return super().post(request, *args, **kwargs)


class _OwnPasswordForm(PasswordChangeForm):
    """The old password counts as an attempt to sign in; whoever has just signed in with one that a
    manager chose is not asked for it twice."""

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request
        typed_lately = proved_lately(request.session) and not request.session.get(BY_PIN)
        if self.user.password_given and typed_lately:
            del self.fields["old_password"]

    def clean_old_password(self) -> str:
        old: str = self.cleaned_data["old_password"]
        if not sign_in.is_own_password(self.request, old):
            raise ValidationError(sign_in.why_not_own(self.request), code="password_incorrect")
        return old

    def clean_new_password1(self) -> str:
        new: str = self.cleaned_data["new_password1"]
        if self.user.password_given and check_password(new, self.user.password):
            raise ValidationError(
                gettext("This is the password that you were given. Choose another.")
            )
        return new


class _ChangePassword(auth_views.PasswordChangeView):
    template_name = "accounts/password_change.html"
    success_url = reverse_lazy("board")
    form_class = _OwnPasswordForm

    def get_form_kwargs(self) -> dict[str, Any]:
        return {**super().get_form_kwargs(), "request": self.request}

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(next=self._wanted(), **kwargs)

    def get_success_url(self) -> str:
        return self._wanted() or super().get_success_url()

    def _wanted(self) -> str:
        return own_path(self.request.POST.get("next") or self.request.GET.get("next"))

    @transaction.atomic
    def form_valid(self, form: PasswordChangeForm) -> HttpResponse:
        messages.success(self.request, gettext("Your password is changed."))
        person = form.user
        events.log(person, "staffmember.changed", person, after={"password": events.SET})
        person.password_given = False
        answer = super().form_valid(form)
        assert isinstance(person, StaffMember)
        sign_ins.end_all(person, but=self.request.session.session_key)
        return answer


def enter(request: Request, person: StaffMember, to: str, second: str) -> HttpResponse:
    """Sign in whoever has shown all that is asked, and go on to the page they wanted."""
    said = (second_factor.reset_said(person), second_factor.tries_said(request, person))
    sign_ins.by_password(request, person, second)
    second_factor.set_up_first(request, person, request.shop)
    for warning in filter(None, said):
        messages.warning(request, warning)
    return redirect(to)


login = public(_SignIn.as_view())
logout = allow(*Role, before_set_up=True, before_own=True)(_Leave.as_view())
password_change = allow(*Role, before_set_up=True, before_own=True)(_ChangePassword.as_view())


@allow(*Role, before_set_up=True, before_own=True)
def my_language(request: Request) -> HttpResponse:
    """The language in which the person reads the screens."""
    person = StaffMember.objects.get(pk=request.user.pk)
    return form_page(
        request,
        LanguageForm(request.POST if request.method == "POST" else None, instance=person),
        notice="",
        to="my_language",
        title=gettext("My language"),
        save_label=gettext("Save language"),
        back_url=reverse("home"),
        back_label=gettext("Back"),
    )


def shut(request: HttpRequest, waiting: sign_in.Waiting) -> HttpResponse:
    """No password is taken from here for a while: until when, and what to do."""
    answer = render(request, "accounts/locked_out.html", {"waiting": waiting}, status=429)
    left = (waiting.until - timezone.now()).total_seconds()
    answer["Retry-After"] = str(max(int(left), 1))
    return answer


@public
def locked_out(request: Request, *_: Any) -> HttpResponse:
    """Why sign-in is shut for a while after many wrong passwords."""
    until = timezone.now() + sign_in.WAIT
    return shut(request, sign_in.Waiting(until, every_name=False))


@allow_any_staff
@require_safe
def home(request: Request) -> HttpResponse:
    """The board is the first page, for the bench its own jobs of today; of an empty book, for its
    manager, the first steps."""
    new = request.user.is_manager and is_new(request.shop)
    return redirect("first_day" if new else first_page(request.user, request.tablet))
