"""The manager's step lists: kinds of work, their steps, and the order of these."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.steps import CopyForm, StepForm, WorkKindForm, step_keys
from jobs.models import StepTemplate, WorkKind
from jobs.services import step_lists
from shop.access import allow
from shop.http import Request
from shop.roles import Role
from shop.views.saving import form_page

manager = allow(Role.MANAGER, password=True)


@manager
@require_safe
def step_kinds(request: Request) -> HttpResponse:
    """The kinds of work, in the order booking offers them."""
    kinds = WorkKind.objects.annotate(count=Count("steps"))
    return render(request, "steps/kinds.html", {"kinds": kinds})


@manager
@require_POST
def step_kind_usual(request: Request) -> HttpResponse:
    """Start with the usual list."""
    count = step_lists.start_with_usual(request.user)
    added = gettext("%(count)s kinds of work are added.") % {"count": count}
    text = added if count else gettext("You have all of the usual kinds.")
    messages.success(
        request, gettext("%(text)s Change them to the way your shop works.") % {"text": text}
    )
    return redirect("step_kinds")


def _kind_form(request: Request, kind: WorkKind, **context: Any) -> HttpResponse:
    return form_page(
        request,
        WorkKindForm(request.POST or None, instance=kind),
        notice=gettext("“{}” is saved."),
        to=lambda saved: reverse("step_kind", args=[saved.pk]),
        save_label=gettext("Save kind of work"),
        **context,
    )


@manager
def step_kind_create(request: Request) -> HttpResponse:
    """A new kind of work."""
    return _kind_form(
        request,
        WorkKind(order=WorkKind.objects.count()),
        title=gettext("New kind of work"),
        back_url=reverse("step_kinds"),
        back_label=gettext("Kinds of work"),
    )


@manager
def step_kind_edit(request: Request, pk: int) -> HttpResponse:
    """Name, note and use of a kind of work."""
    kind = get_object_or_404(WorkKind, pk=pk)
    return _kind_form(
        request,
        kind,
        title=gettext("Change “%(kind)s”") % {"kind": kind},
        back_url=reverse("step_kind", args=[pk]),
        back_label=kind.name,
    )


@manager
@require_POST
def step_kind_remove(request: Request, pk: int) -> HttpResponse:
    """Remove a kind of work no job is of."""
    get_object_or_404(WorkKind, pk=pk)
    try:
        kind = step_lists.remove_kind(pk, request.user)
    except Refused as refused:
        messages.error(request, str(refused))
        return redirect("step_kind", pk)
    messages.success(request, gettext("“%(kind)s” is removed.") % {"kind": kind})
    return redirect("step_kinds")


@manager
@require_safe
def step_kind(request: Request, pk: int) -> HttpResponse:
    """The steps of a kind of work, to add, change and put in order."""
    kind = get_object_or_404(WorkKind, pk=pk)
    return render(
        request,
        "steps/kind.html",
        {"kind": kind, "steps": kind.steps.all(), "copy_form": CopyForm(kind=kind)},
    )


@manager
@require_POST
def step_kind_copy(request: Request, pk: int) -> HttpResponse:
    """Add the steps of another kind at the end."""
    kind = get_object_or_404(WorkKind, pk=pk)
    form = CopyForm(request.POST, kind=kind)
    if form.is_valid():
        count = step_lists.copy_steps(pk, form.cleaned_data["other"], request.user)
        text = ngettext("%(count)s step is added", "%(count)s steps are added", count)
        text %= {"count": count}
        messages.success(
            request,
            gettext("%(text)s at the end; those you had already are left out.") % {"text": text},
        )
    else:
        messages.error(request, gettext("Choose the kind of work to copy from."))
    return redirect("step_kind", pk)


def _list(request: Request, kind: WorkKind, text: str = "") -> HttpResponse:
    """The list again: alone for a swap, else the page."""
    if request.htmx:
        context = {"kind": kind, "steps": kind.steps.all(), "said": text}
        return render(request, "steps/template_list.html", context)
    if text:
        messages.error(request, text)
    return redirect("step_kind", kind.pk)


@manager
@require_POST
def step_kind_order(request: Request, pk: int) -> HttpResponse:
    """Put the steps in the order that was dragged."""
    kind = get_object_or_404(WorkKind, pk=pk)
    try:
        step_lists.order_steps(pk, step_keys(request.POST.get("order", "")), request.user)
    except (Refused, ValidationError) as error:
        return _list(request, kind, " ".join(getattr(error, "reasons", ["Nothing was moved."])))
    return _list(request, kind)


@manager
@require_POST
def step_template_move(request: Request, pk: int) -> HttpResponse:
    """Move a step one place up or down."""
    step = get_object_or_404(StepTemplate, pk=pk)
    step_lists.move_step(pk, -1 if request.POST.get("to") == "up" else 1, request.user)
    return _list(request, step.kind)


@manager
@require_POST
def step_template_remove(request: Request, pk: int) -> HttpResponse:
    """Take a step out of the list; jobs keep theirs."""
    get_object_or_404(StepTemplate, pk=pk)
    step = step_lists.remove_step(pk, request.user)
    messages.success(
        request,
        gettext("“%(step)s” is out of the list. Jobs that have it keep it.") % {"step": step},
    )
    return redirect("step_kind", step.kind_id)


@manager
def step_kind_add(request: Request, pk: int) -> HttpResponse:
    """A new step at the end of the list."""
    kind = get_object_or_404(WorkKind, pk=pk)
    form = StepForm(request.POST or None, instance=StepTemplate(kind=kind))
    again = "another" in request.POST
    return form_page(
        request,
        form,
        notice=gettext("“{}” is added."),
        to=lambda saved: reverse("step_kind_add" if again else "step_kind", args=[pk]),
        template="steps/template_form.html",
        save=lambda: step_lists.add_at_end(form.save(commit=False), request.user),
        title=gettext("New step"),
        kind=kind,
        new=True,
    )


@manager
def step_template_edit(request: Request, pk: int) -> HttpResponse:
    """Change a step of the list; jobs that copied it keep theirs."""
    step = get_object_or_404(StepTemplate.objects.select_related("kind"), pk=pk)
    form = StepForm(request.POST or None, instance=step)
    return form_page(
        request,
        form,
        notice=gettext("“{}” is saved. Jobs that have this step already keep it as it was."),
        to=lambda saved: reverse("step_kind", args=[saved.kind_id]),
        template="steps/template_form.html",
        save=lambda: step_lists.change_step(form.save(commit=False), request.user),
        title=gettext("Change step"),
        kind=step.kind,
        step=step,
    )
