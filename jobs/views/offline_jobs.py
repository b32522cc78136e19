"""The jobs a device keeps for working without a network."""

from typing import Final

from django.db.models import OuterRef, Q, Subquery
from django.http import JsonResponse
from django.urls import reverse
from django.views.decorators.http import require_safe

from jobs.lifecycle import SHEET_OPEN, Correction
from jobs.models import Job, JobEvent
from jobs.views.bay.bay_sheet import SECTIONS
from shop import branches
from shop.access import allow_any_staff
from shop.http import Request
from shop.roles import BENCH, has_role

MOST_KEPT: Final = 6
MORE: Final = ("channels/?show=wires", "channels/?show=settings", "power/?show=cable")
"""Pages of a sheet beside its sections."""


@allow_any_staff
@require_safe
def kept_jobs(request: Request) -> JsonResponse:
    """Live jobs of the tablet's bay and of the person, with the pages to keep of each.

    `newest` changes when anything of the job does, so that only what changed is fetched again.
    """
    mine = Q(technician_id=request.user.pk)
    tablet = request.tablet
    if tablet is not None and tablet.bay_id:
        mine |= Q(bay_id=tablet.bay_id)
    newest = JobEvent.objects.filter(job=OuterRef("pk")).order_by("-pk").values("pk")[:1]
    takes_entries = Q(stage__in=SHEET_OPEN) | Q(correction=Correction.OPEN)
    jobs = Job.objects.filter(mine, takes_entries, branches.own("bay__branch")).annotate(
        newest=Subquery(newest)
    )
    kept = []
    if has_role(request.user, BENCH):
        listed = jobs.order_by("promised_at", "number").values_list("number", "newest")
        for number, last in listed[:MOST_KEPT]:
            sheet = reverse("bay", args=[number])
            pages = [reverse(section.url_name, args=[number]) for section in SECTIONS]
            pages += [sheet + more for more in MORE]
            kept.append({"number": number, "newest": last, "pages": pages})
    return JsonResponse({"jobs": kept})
