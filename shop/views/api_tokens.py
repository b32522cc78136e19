"""Tokens of neighbouring programs: listed, made, shown once, ended."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from shop.access import allow
from shop.forms.api_tokens import ApiTokenForm
from shop.http import Request
from shop.models import ApiToken
from shop.roles import Role
from shop.scopes import labels_of
from shop.services import api_tokens


@allow(Role.MANAGER, password=True)
@require_safe
def token_list(request: Request) -> HttpResponse:
    """Every token, those in use first."""
    rows = ApiToken.objects.select_related("made_by", "ended_by")
    listed = sorted(rows, key=lambda token: token.ended_at is not None or token.is_over)
    tokens = [(token, labels_of(token.scopes)) for token in listed]
    return render(request, "api/tokens.html", {"tokens": tokens})


@allow(Role.MANAGER, password=True)
@never_cache
@sensitive_post_parameters()
def token_create(request: Request) -> HttpResponse:
    """Make a token, and show its secret the one time."""
    posted = request.POST if request.method == "POST" else None
    form = ApiTokenForm(posted, request=request)
    if posted is not None and form.is_valid():
        data = form.cleaned_data
        token, secret = api_tokens.make(data["name"], data["scopes"], form.expires_at, request.user)
        context = {"token": token, "secret": secret, "address": request.build_absolute_uri("/")}
        return render(request, "api/token_made.html", context)
    return render(request, "api/token_new.html", {"form": form}, status=422 if posted else 200)


@allow(Role.MANAGER, password=True)
@require_POST
def token_end(request: Request, pk: int) -> HttpResponse:
    """End a token at once."""
    token = get_object_or_404(ApiToken, pk=pk)
    api_tokens.end(token.pk, request.user)
    messages.success(
        request, gettext("“%(token)s” is ended: it opens nothing any more.") % {"token": token}
    )
    return redirect("api_token_list")
