"""Notes, the manager's reasons ticked off, moves of the job from its sheet, and the way back."""

from collections.abc import Sequence
from typing import Final

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs import undo as undoing
from jobs.errors import ChangedMeanwhile, Refused
from jobs.forms.bay.add import NoteForm
from jobs.models import Job, JobEvent, SendBack
from jobs.reads.history import told
from jobs.services import moves, notes as service, send_backs
from jobs.services.work_done import who_may_have_worked, work_done
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import SECTIONS, BaySheet, actor
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token, whole

FROM_THE_SHEET: Final = {
    "start_work": "The car is in the bay.",
    "finish": "Handed to review. The manager finds it in the queue.",
    "recall": "Taken back from review: the sheet is open again.",
    "hand_correction": "The correction is handed to review. The manager finds it in the queue.",
    "recall_correction": "Taken back from review: the correction is open again.",
}


@allow_any_staff
@require_safe
def notes(request: Request, number: int) -> HttpResponse:
    return _page(request, BaySheet.of(request, number, "notes"), NoteForm())


def _page(request: Request, sheet: BaySheet, form: NoteForm) -> HttpResponse:
    answer = answers.page(
        request,
        sheet,
        "bay/notes.html",
        form=form,
        notes=list(sheet.job.notes.select_related("by").order_by("-pk")),
    )
    if form.is_bound:
        answer.status_code = 422
    return answer


@allow(*BENCH)
@require_POST
def add(request: Request, number: int) -> HttpResponse:
    form = NoteForm(request.POST)
    sheet = BaySheet.of(request, number, "notes")
    if form.is_valid():
        try:
            service.add_note(
                number,
                form.cleaned_data["text"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("text", " ".join(refused.reasons))
        else:
            return redirect(sheet.url("bay_notes"))
    return _page(request, sheet, form)


@allow(*BENCH)
@require_POST
def send_back(request: Request, number: int, pk: int) -> HttpResponse:
    """Tick off one of the manager's reasons, or take the tick away."""
    errors: list[str] = []
    try:
        row = send_backs.tick(number, pk, "done" in request.POST, actor=actor(request))
    except Refused as refused:
        errors = refused.reasons
        row = get_object_or_404(
            SendBack.objects.select_related("by", "done_by"), pk=pk, job__number=number
        )
    except (Job.DoesNotExist, SendBack.DoesNotExist):
        raise Http404(gettext("That reason is no longer there.")) from None
    sheet = BaySheet.of(request, number)
    if not request.htmx:
        for line in errors:
            messages.error(request, f"{row.reason}: {line}")
        return redirect(sheet.url("bay"))
    context = {"sheet": sheet, "back": row, "said": errors}
    html = render_to_string("bay/send_back.html", context)
    return HttpResponse(html, status=422 if errors else 200)


@allow(*BENCH)
@require_safe
def finish(request: Request, number: int) -> HttpResponse:
    """What is still missing before the sheet can go to review; when nothing is, the way there."""
    return _finish_dialog(request, BaySheet.of(request, number))


def _finish_dialog(
    request: Request,
    sheet: BaySheet,
    workers: Sequence[int] = (),
    refused: Sequence[str] = (),
) -> HttpResponse:
    done = work_done(sheet.job, actor(request))
    ticked = set(workers) or {one.pk for one in done.people}
    context = {
        "work": done,
        "workers": [(one, one.pk in ticked) for one in who_may_have_worked(done.people)],
        "refused": refused,
        "missing": moves.missing_for(sheet.job, sheet.hand_over),
        "counts": [
            (section, sheet.tab_count(section.id))
            for section in SECTIONS
            if section.id != "findings" and sheet.tab_count(section.id).total
        ],
        "waiting": sheet.job.send_backs.filter(done_at=None).count(),
    }
    status = 422 if refused else 200
    return answers.dialog(request, sheet, "bay/finish.html", context, status)


@allow(*BENCH)
@require_POST
def move(request: Request, number: int, name: str) -> HttpResponse:
    """Start work, hand to review, or take back: the moves the bench makes from the sheet."""
    if name not in FROM_THE_SHEET:
        raise Http404(gettext("No such move from the sheet."))
    sheet = BaySheet.of(request, number)
    worked_by = [pk for text in request.POST.getlist("worked_by") if (pk := whole(text))]
    try:
        moves.move(sheet.job.pk, name, actor(request), worked_by=worked_by)
    except ChangedMeanwhile as changed:
        for reason in changed.reasons:
            messages.error(request, reason)
    except Refused as refused:
        if name == "finish":
            return _finish_dialog(request, sheet, worked_by, refused.reasons)
        for reason in refused.reasons:
            messages.error(request, reason)
    else:
        messages.success(request, FROM_THE_SHEET[name])
    return redirect(_back(request, sheet))


def _back(request: Request, sheet: BaySheet) -> str:
    """The section the person came from, if it said one."""
    section = request.POST.get("section", "")
    known = {"fit", "before", "channels", "power", "tuning", "after", "findings", "notes"}
    return sheet.url(f"bay_{section}" if section in known else "bay")


@allow(*BENCH)
@require_POST
def undo(request: Request, number: int, pk: int) -> HttpResponse:
    """Take back what an event did, and show the page as it is then."""
    sheet = BaySheet.of(request, number)
    try:
        undoing.undo(number, pk, actor(request))
    except Refused as refused:
        return answers.refused(request, number, "fit", refused)
    except (Job.DoesNotExist, JobEvent.DoesNotExist, LookupError):
        raise Http404(gettext("There is nothing to undo.")) from None
    messages.success(request, gettext("Undone: %(number)s") % {"number": _undone(number, pk)})
    shown = request.htmx.current_url_abs_path if request.htmx else None
    if shown and shown.startswith(reverse("bay", args=[number])):
        return HttpResponse(status=204, headers={"HX-Refresh": "true"})
    return answers.reload(request, sheet.url("bay"))


def _undone(number: int, pk: int) -> str:
    """What the event that was undone had done, as the history says it."""
    (event,) = told(JobEvent.objects.filter(pk=pk, job__number=number))
    return event.sentence
