"""A proposal of equaliser sections: shown first, applied as one change."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.models import MeasuredPhase, ProposalLimits
from jobs.plan.measured import Proposed, targets
from jobs.services.tuning import proposals as service
from jobs.services.tuning.facts import facts_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import what_it_feeds
from jobs.views.tuning.common import show
from jobs.views.tuning.facts import facts_html
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token


def _asked(data: Any, offered: list[str]) -> tuple[list[str], bool]:
    """The channels wanted, every one offered where none is named, and whether to fit anew."""
    wanted = [one for one in offered if one in data.getlist("channel")]
    return wanted, data.get("how") != "add"


@allow_any_staff
@require_safe
def proposal(request: Request, number: int) -> HttpResponse:
    """Choose channels; see what is proposed."""
    sheet = BaySheet.of(request, number, "tuning")
    offered = service.measured_channels(sheet.job.measured.all(), sheet.plan)
    wanted, anew = _asked(request.GET, offered)
    return _page(request, sheet, offered, wanted, anew)


def _page(
    request: Request,
    sheet: BaySheet,
    offered: list[str],
    wanted: list[str],
    anew: bool,
    trouble: str = "",
) -> HttpResponse:
    proposals = service.proposals_for(sheet.job, sheet.plan, wanted, anew=anew)
    known = targets()
    name = facts_of(sheet.job).target
    return show(
        request,
        sheet,
        "proposal",
        "tuning/proposal.html",
        status=422 if trouble else 200,
        offered=[
            (one, what_it_feeds(sheet.plan, one), one in wanted or not wanted) for one in offered
        ],
        found=proposals,
        anew=anew,
        fingerprint=service.fingerprint(proposals),
        changes=sum(one.changes for one in proposals),
        warnings=service.new_findings(sheet.job, sheet.plan, proposals),
        target=known.get(name) or next(iter(known.values())),
        house=ProposalLimits.current(),
        aim=facts_html(sheet, "aim"),
        trouble=trouble,
        measured_url=sheet.url("bay_measured"),
        elsewhere=sheet.job.measured.filter(phase=MeasuredPhase.AFTER).exists(),
    )


@allow(*BENCH)
@require_POST
def apply(request: Request, number: int) -> HttpResponse:
    """Apply what was shown; when something changed since, show the proposal again instead."""
    sheet = BaySheet.of(request, number, "tuning")
    offered = service.measured_channels(sheet.job.measured.all(), sheet.plan)
    wanted, anew = _asked(request.POST, offered)
    proposals: list[Proposed] = service.proposals_for(sheet.job, sheet.plan, wanted, anew=anew)
    if service.fingerprint(proposals) != request.POST.get("shown", ""):
        trouble = "Settings or measurements changed meanwhile: this is the proposal as of now."
        return _page(request, sheet, offered, wanted, anew, trouble)
    try:
        event = service.apply_proposals(
            number, proposals, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return _page(request, sheet, offered, wanted, anew, " ".join(refused.reasons))
    return redirect("bay_proposal_applied", number, event.pk)


@allow_any_staff
@require_safe
def applied(request: Request, number: int, pk: int) -> HttpResponse:
    """What an applied proposal changed, with the way back."""
    sheet = BaySheet.of(request, number, "tuning")
    event = sheet.job.events.filter(pk=pk, code="proposal.applied").select_related("actor").first()
    if event is None:
        return answers.reload(request, sheet.url("bay_proposal"))
    undone = sheet.job.events.filter(key=f"undo-{event.pk}").exists()
    ids = event.after["channels"].split(", ")
    settings = {one.id: one.setting for one in sheet.plan.channels}
    return show(
        request,
        sheet,
        "proposal",
        "tuning/applied.html",
        event=event,
        undone=undone,
        channels=[
            (one, what_it_feeds(sheet.plan, one), settings[one].sections)
            for one in ids
            if one in settings
        ],
    )
