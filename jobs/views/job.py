"""A job's own page: where it stands, what may be done next, its parts and its history."""

from typing import Any, NamedTuple

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.lifecycle import BOOKING_OPEN, MOVES, PATH, Move, Stage, moves_from
from jobs.models import Job
from jobs.paper import PAPERS
from jobs.reads.history import history_of
from jobs.services.check_in import check_in_of
from jobs.services.estimates import Estimate
from jobs.services.moves import missing_for, move
from jobs.services.parts import add_part, goes_with, remove_part, set_quantity
from jobs.services.work_done import work_done
from jobs.sheet import revision
from jobs.sheet.change_values import change_values
from jobs.views.comebacks import comeback_context
from jobs.views.desk import log_context, strip_context
from jobs.views.supply import supply_lines
from jobs.wording import Local
from shop.access import allow_any_staff
from shop.http import Request
from shop.kept_words import told
from shop.models import Product, Shop, StaffMember
from shop.typed import line, whole

OWN_PAGE = {
    "check_in": ("check_in", "Check in"),
    "sign_off": ("review", "Review and sign off"),
    "sign_correction": ("review", "Review and sign the correction"),
    "collect": ("collect", "Hand over to customer"),
}
"""Moves made on a page of their own, where what they need is seen: the page and its label."""

ELSEWHERE = frozenset({"send_back", "send_back_correction"})
"""Moves offered on the page of another move."""

UNSAID = frozenset({"no_show"})
"""Moves that are not spoken of before they can be made."""

GRAVE = frozenset({"cancel"})

ONWARD = frozenset({"resume", "hand_correction", "sign_correction"})
"""Moves that take a job on though its place on the path stays."""


class Offer(NamedTuple):
    """A move as the page offers it."""

    move: Move
    label: str
    url: str
    elsewhere: bool
    missing: list[str]
    grave: bool


class Step(NamedTuple):
    """A stage on the stepper."""

    label: str
    state: str


def correction_of(job: Job) -> dict[str, Any]:
    """The open correction of a job: of which sheet, opened by whom and why, what differs so far."""
    shop = Shop.objects.current()
    opened = job.events.filter(code="job.correct").select_related("actor").first()
    return {
        "corrects": revision.newest(job),
        "reason": job.correction_reason,
        "opened": opened,
        "changed": change_values(revision.changes_of(job), Local(shop.units, shop.time_zone)),
    }


def _offers(job: Job, user: StaffMember) -> list[Offer]:
    offers = []
    roles = user.roles
    for one in moves_from(job.stage, job.correction, roles, job.held_from):
        if one.name in ELSEWHERE:
            continue
        page, label = OWN_PAGE.get(one.name, ("", one.label))
        url = reverse(page, args=[job.number]) if page else ""
        missing = [] if page else missing_for(job, one.name)
        if missing and one.name in UNSAID:
            continue
        if one.name == "finish" and not missing and not work_done(job, user).plain:
            page, url = "bay_finish", reverse("bay_finish", args=[job.number])
        url = url or reverse("job_move", args=[job.number, one.name])
        offers.append(Offer(one, label, url, bool(page), missing, one.name in GRAVE))
    return offers


def _onward(job: Job, offers: list[Offer]) -> Offer | None:
    """The offer that takes the job one stage further, or back to where it was held."""
    at = PATH.index(Stage(job.stage)) if job.stage in PATH else -1
    for offer in offers:
        to = offer.move.to
        if offer.move.name in ONWARD or (to in PATH and PATH.index(to) == at + 1):
            return offer
    return None


def _steps(job: Job) -> list[Step]:
    now = Stage(job.held_from) if job.stage == Stage.ON_HOLD else Stage(job.stage)
    at = PATH.index(now) if now in PATH else -1
    last = len(PATH) - 1
    return [
        Step(
            str(stage.label),
            "past" if place < at or at == place == last else "now" if place == at else "",
        )
        for place, stage in enumerate(PATH)
    ]


@allow_any_staff
def job(request: Request, number: int) -> HttpResponse:
    """The job's overview."""
    job = get_object_or_404(
        Job.objects.with_names().select_related("comeback_of", "booked_by"), number=number
    )
    return _overview(request, job)


def _overview(request: Request, job: Job, **more: Any) -> HttpResponse:
    offers = _offers(job, request.user)
    whole = request.GET.get("history") == "all"
    lines = supply_lines(job)
    context = {
        **strip_context(job),
        **log_context(job),
        "estimate": Estimate(job, request.shop),
        "steps": _steps(job),
        "offers": offers,
        "next": _onward(job, offers),
        "check_in": check_in_of(job),
        "supply_lines": lines,
        "parts": lines,
        "papers": PAPERS.items(),
        "sheets": job.sheets.defer("document", "pdf").select_related("signed_by", "receipt"),
        **(comeback_context(job, request.shop) if job.comeback_of else {}),
        "comebacks": job.comebacks.order_by("number"),
        "send_backs": job.send_backs.filter(done_at=None).select_related("by"),
        "events": history_of(job, whole=whole),
        "whole_history": whole,
        "may_edit": job.stage in BOOKING_OPEN,
        "parts_open": job.takes_changes,
        "correction": correction_of(job) if job.correction else None,
        **more,
    }
    return render(request, "job/page.html", context, status=422 if more else 200)


@allow_any_staff
@require_POST
def job_move(request: Request, number: int, name: str) -> HttpResponse:
    """Make a move; a refusal says what is missing and keeps the reason that was typed."""
    if name not in MOVES:
        raise Http404(gettext("There is no such move."))
    job = get_object_or_404(Job.objects.with_names(), number=number)
    reason = line(request.POST.get("reason"))
    try:
        moved = move(job.pk, name, request.user, reason)
    except Refused as refused:
        job.refresh_from_db()
        more = {"refused": refused.reasons, "tried": name, "typed_reason": reason}
        return _overview(request, job, **more)
    messages.success(request, _done(moved, name))
    if request.htmx:
        return HttpResponse(status=204, headers={"HX-Redirect": moved.get_absolute_url()})
    return redirect(moved)


def _done(job: Job, name: str) -> str:
    if name == "no_show":
        return f"{job} did not come: {job.bay} is free. “Reinstate” takes this back."
    return f"{job} is now {job.standing}."


@allow_any_staff
def job_parts(request: Request, number: int) -> HttpResponse:
    """The parts of a job, to add to and take away from."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    return render(request, "job/parts.html", _parts_context(job))


def _parts_context(job: Job) -> dict[str, Any]:
    parts = job.parts.select_related("product")
    return {
        "job": job,
        "lines": [(part, [*map(told, goes_with(part))]) for part in parts],
        "parts_open": job.takes_changes,
    }


def _parts_answer(request: Request, job: Job, errors: list[str], changed: int = 0) -> HttpResponse:
    """The parts again; a quantity that was refused stands as typed in the line of `changed`."""
    context = {**_parts_context(job), "said": errors, "changed": changed if errors else 0}
    context["typed"] = request.POST.get("quantity", "")
    if request.headers.get("HX-Request"):
        status = 422 if errors else 200
        return render(request, "job/parts_editor.html", context, status=status)
    if errors:
        return render(request, "job/parts.html", context, status=422)
    return redirect("job_parts", job.number)


@allow_any_staff
@require_POST
def part_add(request: Request, number: int) -> HttpResponse:
    """Add a product to the job."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    product = get_object_or_404(Product.objects.offered(), pk=whole(request.POST.get("product")))
    errors: list[str] = []
    try:
        add_part(job.pk, product, whole(request.POST.get("quantity", "1")) or 0, request.user)
    except Refused as refused:
        errors = refused.reasons
    return _parts_answer(request, job, errors)


@allow_any_staff
@require_POST
def part_quantity(request: Request, number: int, pk: int) -> HttpResponse:
    """Set how many pieces of a part the job takes."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    get_object_or_404(job.parts, pk=pk)
    errors: list[str] = []
    try:
        set_quantity(job.pk, pk, whole(request.POST.get("quantity", "")) or 0, request.user)
    except Refused as refused:
        errors = refused.reasons
    return _parts_answer(request, job, errors, pk)


@allow_any_staff
@require_POST
def part_remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a part out of the job."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    get_object_or_404(job.parts, pk=pk)
    errors: list[str] = []
    try:
        remove_part(job.pk, pk, request.user)
    except Refused as refused:
        errors = refused.reasons
    return _parts_answer(request, job, errors)
