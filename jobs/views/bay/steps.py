"""Steps: the shop's list for this kind of work, ticked in order, with what each one asks for."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.cells import Cleaned, NumberField, clean
from jobs.lifecycle import BEFORE_REVIEW
from jobs.models import Job, JobStep, StepOutcome, WorkKind
from jobs.reads.steps import StepLine, StepList
from jobs.services import reconnect, steps as service
from jobs.services.gates import GateFacts
from jobs.services.saving import FieldClash, Saved
from jobs.setups.brought import StepHint, step_hints
from jobs.views.bay import answers, fit, parts
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.left import taken_over
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import row_key, token
from shop.wording import plural

OUTCOMES = dict(StepOutcome.choices)

ORDER_REASONS = (
    "Waiting for a part",
    "Easier in this order on this car",
    "Done together with the other step",
)
SKIP_REASONS = ("Not on this car", "The customer did not want it")


def _fields(step: JobStep) -> dict[str, forms.Field]:
    return {
        "done": forms.BooleanField(label="done", required=False),
        "skipped": forms.BooleanField(label="not needed", required=False),
        "reason": forms.CharField(label="reason", max_length=300, required=False),
        "reading_value": NumberField(
            label=step.reading_label or "reading", required=False, unit=step.reading_unit
        ),
    }


def _changes(cleaned: Cleaned) -> dict[str, Any]:
    """The posted cells as fields of the step: the two ticks are one outcome."""
    changes = {
        name: value
        for name, value in cleaned.changes.items()
        if name in {"reason", "reading_value"}
    }
    if cleaned.changes.get("skipped"):
        changes["outcome"] = StepOutcome.SKIPPED.value
    elif "done" in cleaned.changes:
        changes["outcome"] = StepOutcome.DONE.value if cleaned.changes["done"] else ""
    elif "skipped" in cleaned.changes:
        changes["outcome"] = ""
    return changes


def list_of(sheet: BaySheet) -> StepList:
    return StepList(sheet.job, GateFacts(sheet.job, lambda: sheet.findings))


def row_html(
    sheet: BaySheet,
    line: StepLine,
    cleaned: Cleaned | None = None,
    refused: dict[str, list[str]] | None = None,
    clashes: list[dict[str, Any]] | None = None,
    oob: bool = False,
) -> str:
    """The row of one step. `refused` says why it was not ticked, by control."""
    errors = dict(refused or {})
    if cleaned is not None:
        for name, messages in cleaned.errors.items():
            errors.setdefault(name, [messages])
    reading = line.step.reading_value
    field = _fields(line.step)["reading_value"]
    return render_to_string(
        "steps/row.html",
        {
            "sheet": sheet,
            "line": line,
            "step": line.step,
            "errors": errors,
            "reading": cleaned.typed["reading_value"]
            if cleaned and "reading_value" in cleaned.errors
            else field.prepare_value(reading),
            "clashes": clashes or [],
            "ticked": _still_ticked(line, cleaned, refused, "done", "done"),
            "left_out": _still_ticked(line, cleaned, refused, "skipped", "skipped"),
            "reasons": SKIP_REASONS if line.state == "next" else ORDER_REASONS + SKIP_REASONS,
            "hint": _hints(sheet).get(line.step.text),
            "oob": oob,
        },
    )


def _hints(sheet: BaySheet) -> dict[str, StepHint]:
    """What the first car says of each step, read once a sheet."""
    kept: dict[str, StepHint] | None = sheet.__dict__.get("_step_hints")
    if kept is None:
        kept = sheet.__dict__["_step_hints"] = step_hints(sheet.job)
    return kept


def _still_ticked(
    line: StepLine,
    cleaned: Cleaned | None,
    refused: dict[str, list[str]] | None,
    name: str,
    state: str,
) -> bool:
    """What the tick shows: a refused one stays as it was set, so that it can be sent again."""
    if refused and cleaned is not None and name in cleaned.changes:
        return bool(cleaned.changes[name])
    return line.state == state


def _progress_html(steps: StepList, oob: bool = False) -> str:
    return render_to_string("steps/progress.html", {"steps": steps, "oob": oob})


def _page(request: Request, sheet: BaySheet, status: int = 200, **context: Any) -> HttpResponse:
    steps = list_of(sheet)
    answer = answers.page(
        request,
        sheet,
        "steps/page.html",
        steps=steps,
        rows=[row_html(sheet, line) for line in steps.lines],
        progress=_progress_html(steps),
        taken=taken_over(sheet),
        kinds=WorkKind.objects.in_use(),
        reconnect=reconnect.still_to_add(sheet.job) if sheet.can_edit else [],
        reconnected=reconnect.added(sheet.job) if sheet.can_edit else None,
        kind_open=sheet.job.stage in BEFORE_REVIEW,
        **context,
    )
    answer.status_code = status
    return answer


@allow_any_staff
@require_safe
def first(request: Request, number: int) -> HttpResponseBase:
    """The sheet opens at the steps where the job has some, else at the fit."""
    if JobStep.objects.filter(job__number=number).exists():
        return steps(request, number)
    return fit.fit(request, number)


@allow_any_staff
@require_safe
def steps(request: Request, number: int) -> HttpResponse:
    """The step list of the job."""
    return _page(request, BaySheet.of(request, number, "steps"))


def _clash_words(clash: FieldClash, step: JobStep) -> dict[str, Any]:
    """A clash as its box shows it; an outcome is written back by the tick."""
    words = {"actor": clash.actor, "at": clash.at, "field": clash.field}
    if clash.field == "outcome":
        mine, theirs = OUTCOMES[clash.mine], OUTCOMES[clash.theirs]
        tick = "true" if clash.mine == StepOutcome.DONE else "false"
        name = "skipped" if clash.mine == StepOutcome.SKIPPED else "done"
        return words | {
            "field": name,
            "label": "this step",
            "mine": mine,
            "theirs": theirs,
            "mine_value": "true" if name == "skipped" else tick,
        }
    field = _fields(step)[clash.field]
    mine, theirs = (field.prepare_value(value) for value in (clash.mine, clash.theirs))
    return words | {
        "label": str(field.label),
        "mine": mine or "nothing",
        "theirs": theirs or "nothing",
        "mine_value": "" if mine is None else mine,
    }


@allow(*BENCH)
@require_POST
def save(request: Request, number: int, pk: int) -> HttpResponse:
    """Save the tick, the reading or the reason of one step.

    422 names what keeps it from being ticked; what else was typed is saved all the same.
    """
    step = get_object_or_404(JobStep, pk=pk, job__number=number)
    cleaned = clean(_fields(step), request.POST)
    changes = _changes(cleaned)
    version, key = answers.version_of(request), token(request.POST.get("key"))
    refused: dict[str, list[str]] = {}
    clashes: list[FieldClash] = []

    def write(what: dict[str, Any], own_key: str) -> Saved:
        return service.record_step(
            number, pk, what, actor=actor(request), version=version, key=own_key
        )

    try:
        if changes:
            try:
                clashes = write(changes, key).clashes
            except service.StepRefused as error:
                refused = error.fields
                rest = {name: value for name, value in changes.items() if name != "outcome"}
                if rest and len(rest) < len(changes):
                    clashes = write(rest, f"{key}-rest" if key else "").clashes
    except service.StepRefused:
        pass
    except Refused as closed:
        reason = answers.said_html(" ".join(closed.reasons), "stop")
        return HttpResponse(reason, status=403)
    except JobStep.DoesNotExist:
        raise Http404(gettext("That step is no longer there.")) from None
    sheet = BaySheet.of(request, number, "steps")
    listed = list_of(sheet)
    line = listed.line(pk)
    told = [_clash_words(clash, line.step) for clash in clashes]
    html = row_html(sheet, line, cleaned, refused, told) + _followers(request, sheet, listed, pk)
    html += parts.changed(sheet, request.POST.get("seen", ""))
    return HttpResponse(html, status=409 if clashes else 422 if refused or cleaned.errors else 200)


def _followers(request: Request, sheet: BaySheet, steps: StepList, pk: int) -> str:
    """What follows from a tick: how far the list is, and the row whose turn it is now."""
    before = request.POST.get("turn", "")
    now = steps.next.step.pk if steps.next else 0
    html = _progress_html(steps, oob=True)
    if before == str(now):
        return html
    changed = {row_key(before), now} - {pk, 0}
    rows = [row_html(sheet, line, oob=True) for line in steps.lines if line.step.pk in changed]
    return html + "".join(rows)


@allow(*BENCH)
@require_POST
def add(request: Request, number: int) -> HttpResponse:
    """A step for this job alone, at the end."""
    text = request.POST.get("text", "")
    try:
        service.add_step(number, text, actor(request), token(request.POST.get("key")))
    except Refused as refused:
        sheet = BaySheet.of(request, number, "steps")
        return _page(request, sheet, 422, add_said=str(refused), add_text=text)
    except Job.DoesNotExist:
        raise Http404(gettext("There is no such job.")) from None
    return redirect("bay_steps", number)


@allow(*BENCH)
@require_POST
def add_reconnect(request: Request, number: int) -> HttpResponse:
    """The steps that this car wants once its battery was off."""
    get_object_or_404(Job, number=number)
    try:
        event = reconnect.add_reconnect(number, actor(request), token(request.POST.get("key")))
    except Refused as refused:
        messages.error(request, " ".join(refused.reasons))
    else:
        messages.success(
            request,
            gettext("%(count)s added at the end.")
            % {"count": plural(event.after["count"], "step")},
        )
    return redirect("bay_steps", number)


@allow_any_staff
@require_POST
def set_kind(request: Request, number: int) -> HttpResponse:
    """Say what kind of work the job is: its steps are laid out."""
    job = get_object_or_404(Job, number=number)
    kind = WorkKind.objects.filter(pk=row_key(request.POST.get("kind")) or 0).first()
    back = "job" if request.POST.get("back") == "job" else "bay_steps"
    if kind is None:
        messages.error(request, gettext("Choose a kind of work."))
        return redirect(back, number)
    try:
        service.set_work_kind(job.pk, kind, actor(request))
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(
            request,
            gettext("%(job)s is “%(kind)s”: its steps are laid out.") % {"job": job, "kind": kind},
        )
    return redirect(back, number)
