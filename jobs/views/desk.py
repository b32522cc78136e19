"""The desk's log of a job, and the strip that says how to reach the customer."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.forms.desk import DeskForm, SaidForm
from jobs.models import Job, JobEvent
from jobs.services.check_in import check_in_of
from jobs.services.desk import desk_of, note_said, said_on, save_desk, withdraw
from jobs.sheet.mail import mails_of
from shop.access import allow_any_staff
from shop.http import Request
from shop.typed import line, row_version, token


def strip_context(job: Job, **more: Any) -> dict[str, Any]:
    """What `desk/strip.html` shows: phone and keys, who waits, and the form to change them."""
    desk = desk_of(job)
    check_in = check_in_of(job)
    keys_at = desk.keys_at or (check_in.keys_note if check_in else "")
    form = DeskForm(instance=desk, initial={"keys_at": keys_at})
    return {"job": job, "desk": desk, "keys_at": keys_at, "desk_form": form, **more}


@allow_any_staff
def desk_strip(request: Request, number: int) -> HttpResponse:
    """Save the strip; the page around it stays as it is, with all that is typed on it."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    if request.method != "POST":
        if not request.htmx:
            return redirect(job)
        return render(request, "desk/strip.html", strip_context(job))
    form = DeskForm(request.POST, instance=desk_of(job))
    said: list[str] = []
    if form.is_valid():
        version = row_version(request.POST.get("version"))
        saved = save_desk(
            number,
            form.values(),
            actor=request.user,
            version=version,
            key=token(request.POST.get("key")),
        )
        said = [
            f"{clash.actor} entered “{clash.theirs}” meanwhile: it stands. Save yours once more to "
            "write it over."
            for clash in saved.clashes
        ]
        if not said:
            if not request.htmx:
                messages.success(request, gettext("Saved."))
                return redirect(job)
            return render(request, "desk/strip.html", strip_context(job))
    context = strip_context(job, desk_form=form, desk_said=said, desk_open=True)
    return render(request, "desk/strip.html", context, status=422)


def log_context(job: Job, **more: Any) -> dict[str, Any]:
    """What `desk/log.html` shows."""
    return {
        "job": job,
        "said_log": said_on(job),
        "said_mails": mails_of(job),
        "said_form": SaidForm(),
        **more,
    }


def _log(request: Request, job: Job, status: int = 200, **more: Any) -> HttpResponse:
    if not request.htmx and status == 200:
        return redirect(f"{job.get_absolute_url()}#desk-log")
    template = "desk/log.html" if request.htmx else "desk/log_page.html"
    return render(request, template, log_context(job, **more), status=status)


@allow_any_staff
@require_POST
def said_add(request: Request, number: int) -> HttpResponse:
    """Note what was said; a refusal keeps the words."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    form = SaidForm(request.POST)
    if form.is_valid():
        given = form.cleaned_data
        try:
            note_said(
                number,
                given["how"],
                line(given["text"]),
                actor=request.user,
                key=token(request.POST.get("key")),
                printed=given["printed"],
            )
        except Refused as refused:
            form.add_error("printed" if given["printed"] else "text", " ".join(refused.reasons))
        else:
            return _log(request, job)
    return _log(request, job, 422, said_form=form)


@allow_any_staff
@require_POST
def said_withdraw(request: Request, number: int, pk: int) -> HttpResponse:
    """Strike out what was noted by mistake."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    try:
        withdraw(number, pk, actor=request.user)
    except JobEvent.DoesNotExist:
        raise Http404(gettext("That was not noted on this job.")) from None
    except Refused as refused:
        return _log(request, job, 422, said_refused=refused.reasons)
    return _log(request, job)
