"""Applying a saved setup: to one job, item by item, or to several at once; and undoing it."""

from typing import Any, Final, NamedTuple

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.utils.translation import gettext, gettext_noop as kept
from django.views.decorators.http import require_POST

from jobs import undo as undoing, wording
from jobs.errors import Refused
from jobs.forms.booking import PartLine, part_lines
from jobs.forms.setups import Choices
from jobs.lifecycle import Stage
from jobs.models import Job, JobEvent, SavedSetup
from jobs.plan.document import findings_of
from jobs.setups import apply as applying
from jobs.setups.find import jobs_to_fit, match_with
from jobs.setups.items import Comparison, Item
from jobs.setups.parts import add_lacking, lacking
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH, DESK
from shop.typed import whole

GROUPS: Final = (
    ("parts", kept("Parts that stand for each other")),
    ("speakers", kept("Speakers in their places")),
    ("channels", kept("Channels and wires")),
    ("settings", kept("Settings, into the record as left")),
    ("power", kept("Power")),
    ("distances", kept("Tape distances")),
    ("adapters", kept("Adapter leads")),
    ("panels", kept("Panels that come off")),
    ("other", kept("Other settings")),
)


class Group(NamedTuple):
    """A table of the preview: its items, each with whether it is taken."""

    id: str
    title: str
    rows: list[tuple[Item, bool]]

    @property
    def undecided(self) -> int:
        """How many differ and are left so far."""
        return sum(item.state == "differs" and not taken for item, taken in self.rows)


def _coverage(comparison: Comparison) -> dict[str, Any]:
    """Where each of the setup's speakers goes, for a job with other channels."""
    carried = comparison.matches.carried
    return {
        "covered": len(carried.covered),
        "uncovered": sorted(carried.uncovered.items()),
        "free": carried.free,
        "moved": any(place.other for place in carried.placements.values()),
    }


@allow(*BENCH)
def setup_apply(request: Request, number: int, pk: int) -> HttpResponse:
    """Show what applying a setup would do, item by item; on POST take over what was chosen.

    `all` only marks a whole group as taken, and shows the page again.
    """
    job = get_object_or_404(Job.objects.with_names(), number=number)
    setup = get_object_or_404(
        SavedSetup.objects.select_related("vehicle_model", "from_sheet__job"), pk=pk
    )
    refused: list[str] = []
    if request.method == "POST" and "all" not in request.POST:
        try:
            choices = Choices(applying.preview(setup, job), request.POST)
            applied = applying.apply_setup(
                number,
                pk,
                choices.keys,
                request.POST.get("token", ""),
                request.user,
            )
        except Refused as reason:
            refused = reason.reasons
        else:
            return redirect("setup_applied", number, applied.event.pk)
    return _preview(request, job, setup, refused)


def _preview(request: Request, job: Job, setup: SavedSetup, refused: list[str]) -> HttpResponse:
    context: dict[str, Any] = {"job": job, "setup": setup, "refused": refused}
    status = 422 if refused else 200
    try:
        comparison = applying.preview(setup, job)
    except Refused as reason:
        context["refused"] = reason.reasons
        return render(request, "setups/apply.html", context, status=422)
    choices = Choices(comparison, request.POST or None)
    groups = [
        Group(group, title, [(item, choices.taken(item)) for item in comparison.of(group)])
        for group, title in GROUPS
        if comparison.of(group)
    ]
    states = [item.state for item in comparison.items]
    context |= {
        "groups": groups,
        "token": comparison.token,
        "new": states.count("new"),
        "differs": states.count("differs"),
        "impossible": states.count("impossible"),
        "same": states.count("same"),
        "closed": not job.sheet_is_open and job.stage != Stage.BOOKED,
        "match": match_with(setup, job),
        **_coverage(comparison),
    }
    return render(request, "setups/apply.html", context, status=status)


def _applied(number: int, pk: int) -> JobEvent:
    return get_object_or_404(
        JobEvent.objects.select_related("job__vehicle__vehicle_model", "actor"),
        pk=pk,
        code="setup.applied",
        job__number=number,
    )


@allow(*BENCH)
@require_POST
def setup_take(request: Request, number: int, pk: int) -> HttpResponse:
    """With one tap: the setup's parts that the job lacks, and what needs no decision."""
    get_object_or_404(Job, number=number)
    setup = get_object_or_404(SavedSetup.objects.select_related("vehicle_model"), pk=pk)
    try:
        applying.take_whole(number, setup, request.user)
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
        return redirect("setup_apply", number, pk)
    return redirect("bay", number)


@allow_any_staff
@require_POST
def setup_parts(request: Request, number: int, pk: int) -> HttpResponse:
    """Put the parts of the setup that the job lacks into it."""
    job = get_object_or_404(Job, number=number)
    setup = get_object_or_404(SavedSetup, pk=pk)
    try:
        added = add_lacking(number, setup, request.user)
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
    else:
        names = [str(part) for part in added]
        if names:
            messages.success(
                request, gettext("Added: %(names)s.") % {"names": wording.listed(names, 6)}
            )
        else:
            messages.success(request, gettext("The job had every part of the setup already."))
    return redirect(job)


@allow(*DESK)
def setup_part_lines(request: Request, pk: int) -> HttpResponse:
    """The setup's parts as lines of a booking, beside the lines that it has."""
    setup = get_object_or_404(SavedSetup, pk=pk)
    there = [(line.product, line.number) for line in part_lines(request.GET)]
    left = lacking(setup, there)
    wanted = [PartLine(one.product, str(one.quantity)) for one in left if one.product]
    lines = [render_to_string("booking/part_line.html", {"line": line}) for line in wanted]
    return HttpResponse("".join(lines))


@allow(*BENCH)
def setup_applied(request: Request, number: int, pk: int) -> HttpResponse:
    """What applying a setup took over and left, what the checks say now, and the way back."""
    event = _applied(number, pk)
    findings = findings_of(event.job)
    context = {
        "job": event.job,
        "event": event,
        "undone": event.job.events.filter(key=f"undo-{event.pk}").exists(),
        "stops": sum(one.severity == "stop" for one in findings),
        "cautions": sum(one.severity == "caution" for one in findings),
    }
    return render(request, "setups/applied.html", context)


@allow(*BENCH)
@require_POST
def setup_undo(request: Request, number: int, pk: int) -> HttpResponse:
    """Put back every row as it was before a setup was applied."""
    event = _applied(number, pk)
    try:
        undoing.undo(number, event.pk, request.user)
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
        return redirect("setup_applied", number, pk)
    except LookupError:
        raise Http404(gettext("There is nothing to undo.")) from None
    messages.success(
        request,
        gettext("Undone: %(job)s is as it was before “%(after)s”.")
        % {"job": event.job, "after": event.after["name"]},
    )
    return redirect(event.job)


@allow(*BENCH)
def setup_several(request: Request, pk: int) -> HttpResponse:
    """Apply a setup to several open jobs at once: what needs no decision, with a summary a job."""
    setup = get_object_or_404(SavedSetup.objects.select_related("vehicle_model"), pk=pk)
    context: dict[str, Any] = {"setup": setup, "jobs": jobs_to_fit(setup)}
    if request.method != "POST":
        return render(request, "setups/several.html", context)
    numbers = [number for text in request.POST.getlist("job") if (number := whole(text))]
    offered = {job.number for job, _ in context["jobs"]}
    if not numbers or not offered.issuperset(numbers):
        context["refused"] = gettext("Choose at least one of the jobs below.")
        return render(request, "setups/several.html", context, status=422)
    context["results"] = applying.apply_to_jobs(pk, numbers, request.user)
    return render(request, "setups/several_done.html", context)
