"""Hand-over: the customer sees before and after, signs, and takes the car."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.forms.collect import CollectForm
from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.sheet.mail import can_send
from jobs.sheet.sign_off import collect_job, latest_sheet
from jobs.sheet.values import sheet_values
from jobs.views.desk import strip_context
from shop.access import allow
from shop.http import Request
from shop.roles import DESK


@allow(*DESK)
def collect(request: Request, number: int) -> HttpResponse:
    """Show the customer the signed sheet in short; take the signature; the job is collected."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    sheet = latest_sheet(job)
    if job.stage != Stage.SIGNED_OFF or job.correction or sheet is None:
        late = request.method == "POST"
        if late:
            messages.warning(request, gettext("The signature you just sent was not kept."))
        shown = {"job": job, "sheet": sheet}
        return render(request, "collect/not_ready.html", shown, status=409 if late else 200)
    form = CollectForm(request.POST or None)
    refused: list[str] = []
    if request.method == "POST" and form.is_valid():
        try:
            collect_job(
                job.pk,
                request.user,
                form.cleaned_data["signature_name"],
                form.cleaned_data["signature"],
                mailed=form.cleaned_data["mail"],
            )
        except Refused as reason:
            refused = reason.reasons
        else:
            done = f"{job} is collected. The signed sheet is ready to print."
            if form.cleaned_data["mail"]:
                done = f"{job} is collected, and the customer’s page is on its way by mail."
            messages.success(request, done)
            return redirect("sheet", job.number, sheet.revision)
    context = {
        **sheet_values(sheet.document),
        **strip_context(job),
        "row": sheet,
        "form": form,
        "errors": [*form.said, *refused] if form.is_bound else [],
        "name_value": request.POST.get("signature_name", job.customer.name),
        "can_send": can_send(),
        "mail_value": form["mail"].value() if form.is_bound else True,
        "signature_value": request.POST.get("signature", ""),
    }
    return render(request, "collect/page.html", context, status=422 if form.is_bound else 200)
