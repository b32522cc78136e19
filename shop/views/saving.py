"""The one way a plain form page is shown and saved."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import ModelForm
from django.http import HttpResponse
from django.shortcuts import redirect, render

from shop.http import Request
from shop.services import events


def form_page(
    request: Request,
    form: "ModelForm[Any]",
    *,
    notice: str,
    to: Callable[[Any], str] | str,
    template: str = "settings/form.html",
    save: Callable[[], Any] | None = None,
    **context: Any,
) -> HttpResponse:
    """Show the form, or save it, logged, and go to `to`; a refused save shows it as typed.

    `said` is the message after saving, with `{}` for what was saved.
    """
    if request.method == "POST" and form.is_valid():
        try:
            saved = save() if save else events.save(form.save(commit=False), request.user)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            if notice:
                messages.success(request, notice.format(saved))
            return redirect(to(saved) if callable(to) else to)
    status = 422 if form.is_bound else 200
    return render(request, template, {"form": form, **context}, status=status)
