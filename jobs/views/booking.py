"""Booking a job on one page, and changing a booking."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.errors import AskFirst, ChangedMeanwhile, Refused
from jobs.forms.booking import Draft, SlotForm, asked_slot, first_slot
from jobs.lifecycle import BOOKING_OPEN
from jobs.models import Job, WorkKind
from jobs.services.booking import book, change_booking, change_people
from jobs.views.booking_choices import day_context
from jobs.views.comebacks import earlier_context, kind_of_comebacks
from shop.access import allow
from shop.http import Request
from shop.models import Bay, Customer, Vehicle
from shop.roles import DESK
from shop.typed import token, whole


@allow(*DESK)
def book_job(request: Request) -> HttpResponse:
    """The booking page. `customer`, `vehicle`, `comeback_of` and `day` may come in the address."""
    if request.method != "POST":
        return _page(request, _fresh_draft(request))
    draft = Draft(request.POST)
    if draft.is_valid():
        try:
            job = book(draft.booking(), request.user, token(request.POST.get("confirmed")))
        except AskFirst as asked:
            return _page(request, draft, 422, asked)
        except Refused as refused:
            draft.said += refused.reasons
        else:
            messages.success(
                request, gettext("%(job)s is booked for %(bay)s.") % {"job": job, "bay": job.bay}
            )
            return redirect(job)
    return _page(request, draft, status=422)


def _fresh_draft(request: Request) -> Draft:
    asked = request.GET
    vehicle = _asked(Vehicle.objects.select_related("owner"), asked.get("vehicle"))
    customer = _asked(Customer.objects.all(), asked.get("customer"))
    slot: dict[str, Any] = asked_slot(asked) or first_slot(asked.get("day", ""))
    if kind := _asked(WorkKind.objects.in_use(), asked.get("kind")):
        slot["work_kind"] = kind.pk
    earlier = Job.objects.select_related("vehicle", "customer")
    number = whole(asked.get("comeback_of"))
    job = earlier.filter(number=number).first() if number is not None else None
    if job is not None:
        vehicle, customer, slot["comeback_of"] = job.vehicle, job.customer, job.pk
        slot.setdefault("work_kind", kind_of_comebacks())
    if customer is None and vehicle is not None:
        customer = vehicle.owner
    return Draft(None, customer=customer, vehicle=vehicle, slot=slot)


def _asked(queryset: Any, key: str | None) -> Any:
    return queryset.filter(pk=whole(key)).first()


def _page(
    request: Request, draft: Draft, status: int = 200, asked: AskFirst | None = None
) -> HttpResponse:
    context = {
        "asked": asked,
        "draft": draft,
        "form": draft.slot_form,
        "earlier": earlier_context(draft.slot_form["comeback_of"].value(), request.shop),
        "no_bays": not Bay.objects.in_use().exists(),
        **day_context(_values(draft.slot_form)),
    }
    return render(request, "booking/page.html", context, status=status)


def _values(form: SlotForm) -> dict[str, Any]:
    """Bay and times as typed or as first shown, by the names the form posts."""
    values: dict[str, Any] = {"bay": form["bay"].value()}
    values["technician"] = form["technician"].value()
    for name in ("starts_at", "ends_at", "promised_at"):
        value = form[name].value()
        typed = value if form.is_bound else form.fields[name].widget.decompress(value)
        values[f"{name}_0"], values[f"{name}_1"] = (str(part or "") for part in typed)
    return values


@allow(*DESK)
def job_edit(request: Request, number: int) -> HttpResponse:
    """Change bay, times, promise, technician, wishes and comeback."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    if job.stage not in BOOKING_OPEN:
        messages.warning(
            request,
            gettext("%(job)s is %(stage)s: nothing to change.")
            % {"job": job, "stage": job.get_stage_display().lower()},
        )
        return redirect(job)
    shown = ("wants", "bay", "starts_at", "ends_at", "promised_at", "technician", "comeback_of")
    initial = {name: getattr(job, name) for name in shown}
    data = request.POST if request.method == "POST" else None
    form = SlotForm(data, vehicle=job.vehicle, job=job, initial=initial)
    errors: list[str] = []
    asked: AskFirst | None = None
    if data is not None and form.is_valid():
        try:
            change_booking(
                job.pk,
                form.cleaned_data,
                version=whole(data.get("version")) or 0,
                actor=request.user,
                confirmed=token(data.get("confirmed")),
            )
        except AskFirst as first:
            asked = first
        except ChangedMeanwhile as refused:
            errors += refused.reasons
            job.refresh_from_db()
        except Refused as refused:
            errors += refused.reasons
        else:
            messages.success(request, gettext("%(job)s is saved.") % {"job": job})
            return redirect(job)
    context = {
        "job": job,
        "form": form,
        "said": errors,
        "asked": asked,
        **day_context(_values(form), but=job),
    }
    return render(request, "job/edit.html", context, status=422 if data is not None else 200)


@allow(*DESK)
def job_people(request: Request, number: int) -> HttpResponse:
    """Change whose job it is, or which car comes."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    if job.stage not in BOOKING_OPEN:
        messages.warning(
            request,
            gettext("%(job)s is %(stage)s: nothing to change.")
            % {"job": job, "stage": job.get_stage_display().lower()},
        )
        return redirect(job)
    data = request.POST if request.method == "POST" else None
    draft = Draft(data, customer=job.customer, vehicle=job.vehicle)
    if data is not None and draft.people_are_valid():
        try:
            change_people(
                job.pk,
                draft.people(),
                version=whole(data.get("version")) or 0,
                actor=request.user,
            )
        except (ChangedMeanwhile, Refused) as refused:
            draft.said += refused.reasons
            job.refresh_from_db()
        else:
            messages.success(request, gettext("%(job)s is saved.") % {"job": job})
            return redirect(job)
    context = {"job": job, "draft": draft}
    return render(request, "job/people.html", context, status=422 if data is not None else 200)
