"""Starting work in another bay than the one booked."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from jobs.errors import Refused
from jobs.services import other_bay as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from shop.access import allow
from shop.http import Request
from shop.roles import BENCH
from shop.typed import row_key


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def start_elsewhere(request: Request, number: int) -> HttpResponse:
    """The bays, with what speaks against each; a bay posted is where the work starts."""
    sheet = BaySheet.of(request, number)
    refused: list[str] = []
    if request.method == "POST":
        bay = row_key(request.POST.get("bay")) or 0
        try:
            job = service.start_in(number, bay, actor=actor(request))
        except Refused as why:
            refused = why.reasons
        else:
            messages.success(request, gettext("The car is in %(bay)s.") % {"bay": job.bay})
            return redirect(sheet.url("bay"))
    context = {"choices": service.choices(sheet.job), "refused": refused}
    return answers.dialog(request, sheet, "bay/other_bay.html", context, 422 if refused else 200)
