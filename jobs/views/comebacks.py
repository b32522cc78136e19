"""Comebacks: the earlier job beside this one, why the car came back, the shop's list of causes."""

from typing import Any

from django.contrib import messages
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.forms.booking import SlotForm
from jobs.forms.comebacks import CauseForm, ComebackForm
from jobs.lifecycle import SIGNED
from jobs.models import ComebackCause, Job, WorkKind
from jobs.services.comebacks import (
    comeback_of,
    save_comeback,
    start_with_usual_causes,
    warranty_of,
)
from jobs.sheet import document as sheet_document, revision
from jobs.sheet.beside import Group, beside
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models import Shop
from shop.roles import DESK, Role
from shop.typed import row_version, token, whole
from shop.views.saving import form_page

manager = allow(Role.MANAGER, password=True)


def kind_of_comebacks() -> int | None:
    """The kind of work that comebacks are booked as, if the shop has said one."""
    kinds = WorkKind.objects.in_use().filter(for_comebacks=True)
    return kinds.values_list("pk", flat=True).first()


def earlier_context(pk: Any, shop: Shop) -> dict[str, Any] | None:
    """What `booking/earlier.html` shows of the job that a new one answers for."""
    job = Job.objects.with_names().filter(pk=whole(str(pk or "")) or 0).first()
    if job is None or (job.elsewhere and job.stage not in SIGNED):
        return None
    return {
        "job": job,
        "warranty": warranty_of(job, timezone.localdate(), shop),
        "parts": job.parts.select_related("product"),
        "sheet": revision.newest(job),
    }


@allow(*DESK)
@require_safe
def earlier_job(request: Request) -> HttpResponse:
    """The earlier job for the booking page, and the kind of work it presets."""
    earlier = earlier_context(request.GET.get("comeback_of"), request.shop)
    kind = whole(request.GET.get("work_kind")) or (kind_of_comebacks() if earlier else None)
    form = SlotForm(initial={"work_kind": kind})
    return render(request, "booking/earlier_swap.html", {"earlier": earlier, "form": form})


def comeback_context(job: Job, shop: Shop, **more: Any) -> dict[str, Any]:
    """What `job/comeback_card.html` shows: the earlier job, its warranty, why it came back."""
    assert job.comeback_of is not None
    asked_on = timezone.localdate(job.booked_at)
    facts = comeback_of(job)
    return {
        "job": job,
        "earlier": job.comeback_of,
        "warranty": warranty_of(job.comeback_of, asked_on, shop),
        "comeback_facts": facts,
        "comeback_form": ComebackForm(instance=facts),
        **more,
    }


def _compared(job: Job) -> list[Group]:
    """The newest signed sheet of the earlier job, or the job as it stands, beside this one."""
    assert job.comeback_of is not None
    sheet = revision.newest(job.comeback_of)
    then = (
        sheet.document
        if sheet
        else sheet_document.draft(sheet_document.load(pk=job.comeback_of_id))
    )
    return beside(then, sheet_document.draft(sheet_document.load(pk=job.pk)))


@allow_any_staff
def comeback(request: Request, number: int) -> HttpResponse:
    """The earlier job beside this one; what is posted says why the car came back."""
    job = get_object_or_404(
        Job.objects.with_names().select_related("comeback_of__vehicle__vehicle_model"),
        number=number,
        comeback_of__isnull=False,
    )
    more: dict[str, Any] = {}
    if request.method == "POST":
        form = ComebackForm(request.POST, instance=comeback_of(job))
        said: list[str] = []
        if form.is_valid():
            saved = save_comeback(
                number,
                form.values(),
                actor=request.user,
                version=row_version(request.POST.get("version")),
                key=token(request.POST.get("key")),
            )
            said = [
                f"{clash.actor} wrote something else meanwhile: it stands. Save yours once more to "
                "write it over."
                for clash in saved.clashes[:1]
            ]
            if not said:
                messages.success(request, gettext("Saved: why it came back."))
                return redirect(job)
        more = {"comeback_form": form, "comeback_said": said}
    context = {
        **comeback_context(job, request.shop, **more),
        "groups": _compared(job),
        "sheet": revision.newest(job.comeback_of) if job.comeback_of else None,
    }
    return render(request, "job/comeback.html", context, status=422 if more else 200)


@manager
@require_safe
def cause_list(request: Request) -> HttpResponse:
    """The causes in the order they are offered."""
    causes = ComebackCause.objects.annotate(count=Count("comebacks"))
    return render(request, "settings/causes.html", {"causes": causes})


@manager
@require_POST
def cause_usual(request: Request) -> HttpResponse:
    """Start with the usual causes."""
    count = start_with_usual_causes(request.user)
    added = gettext("%(count)s causes are added.") % {"count": count}
    text = added if count else gettext("You have all of the usual causes.")
    messages.success(
        request, gettext("%(text)s Change them to the way your shop speaks.") % {"text": text}
    )
    return redirect("cause_list")


def _cause_page(request: Request, cause: ComebackCause, **context: Any) -> HttpResponse:
    return form_page(
        request,
        CauseForm(request.POST or None, instance=cause),
        notice=gettext("“{}” is saved."),
        to="cause_list",
        save_label=gettext("Save cause"),
        back_url=reverse("cause_list"),
        back_label=gettext("Causes of comebacks"),
        **context,
    )


@manager
def cause_create(request: Request) -> HttpResponse:
    """A new cause."""
    cause = ComebackCause(order=ComebackCause.objects.count())
    return _cause_page(request, cause, title=gettext("New cause"))


@manager
def cause_edit(request: Request, pk: int) -> HttpResponse:
    """Change a cause."""
    cause = get_object_or_404(ComebackCause, pk=pk)
    return _cause_page(request, cause, title=gettext("Change “%(cause)s”") % {"cause": cause})
