"""Check-in: the vehicle's condition on arrival, signed by the customer."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.forms.check_in import CheckInForm, is_png, marks_of
from jobs.lifecycle import CHECK_IN_OPEN
from jobs.lists.car_places import PLACES, nearest
from jobs.models import CheckIn, Job, MarkKind
from jobs.services.check_in import Mark, check_in_of, save_check_in, sign_check_in
from jobs.views.desk import strip_context
from shop.access import allow
from shop.http import Request
from shop.roles import DESK
from shop.typed import line, whole
from shop.units import road_unit


@allow(*DESK)
def check_in(request: Request, number: int) -> HttpResponse:
    """Write the condition down, or sign it and check the job in; read it once it is signed."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    begun = check_in_of(job)
    if (begun is not None and begun.signed_at) or job.stage not in CHECK_IN_OPEN:
        if request.method == "POST":
            messages.warning(
                request, gettext("This check-in is closed: what you just sent was not kept.")
            )
        return _signed_page(request, job, begun)
    if request.method == "POST":
        return _save(request, job, begun)
    form = CheckInForm(instance=begun or CheckIn(odometer_unit=road_unit(request.shop)))
    marks = [Mark.of(row) for row in begun.marks.all()] if begun else []
    return _page(request, job, form, marks, begun, {"signed_name": job.customer.name})


def _save(request: Request, job: Job, begun: CheckIn | None) -> HttpResponse:
    data = request.POST
    form = CheckInForm(data, instance=CheckIn(job=job))
    marks = marks_of(data)
    signing = data.get("do") == "sign"
    name, signature = line(data.get("signature_name")), line(data.get("signature"))
    version = whole(data.get("version")) or 0
    errors: list[str] = []
    if form.is_valid():
        if signing and form.cleaned_data["odometer"] is None:
            form.add_error("odometer", gettext("Read the odometer before the customer signs."))
        if signing and signature and not is_png(signature):
            errors.append("The signature could not be read: clear it and sign again.")
    if form.is_valid() and not errors:
        try:
            saved = save_check_in(
                job.pk,
                form.values(),
                marks,
                version=version,
                actor=request.user,
            )
            version = saved.version
            if not signing:
                messages.success(request, gettext("The check-in is saved. It is not signed yet."))
                return redirect("check_in", job.number)
            job = sign_check_in(
                job.pk,
                signed_name=name,
                signature=signature,
                version=version,
                actor=request.user,
            )
        except ChangedMeanwhile as refused:
            errors += refused.reasons
            begun = check_in_of(job)
            version = begun.version if begun else 0
        except Refused as refused:
            errors += refused.reasons
        else:
            messages.success(request, gettext("%(job)s is checked in.") % {"job": job})
            return redirect(job)
    sign = {"signed_name": name, "signature": signature}
    return _page(request, job, form, marks, begun, sign, errors=errors, version=version)


def _page(
    request: Request,
    job: Job,
    form: CheckInForm,
    marks: list[Mark],
    begun: CheckIn | None,
    sign: dict[str, str],
    *,
    errors: list[str] | None = None,
    version: int | None = None,
) -> HttpResponse:
    context: dict[str, Any] = {
        **strip_context(job),
        "form": form,
        "marks": [(mark, nearest(mark.x, mark.y).label) for mark in marks],
        "mark_kinds": MarkKind.choices,
        "places": PLACES.values(),
        "version": version if version is not None else (begun.version if begun else 0),
        "sign": sign,
        "said": errors or [],
    }
    status = 422 if form.is_bound else 200
    return render(request, "check_in/page.html", context, status=status)


def _signed_page(request: Request, job: Job, begun: CheckIn | None) -> HttpResponse:
    marks = [(mark, nearest(mark.x, mark.y).label) for mark in begun.marks.all()] if begun else []
    context = {"job": job, "check_in": begun, "marks": marks}
    status = 409 if request.method == "POST" else 200
    return render(request, "check_in/signed.html", context, status=status)
