"""Writing to a customer: a text with the job's facts, opened in the person's own program, noted."""

from typing import Any
from urllib.parse import quote

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Refused
from jobs.lifecycle import SIGNED, Stage
from jobs.lists.messages import MESSAGES
from jobs.models import Job, Mail, Said
from jobs.services.desk import note_said, said_on
from jobs.sheet.mail import ask_for_mail, call_back, can_send, mails_of, settle
from jobs.sheet.papers import SHEET_PAPERS
from jobs.sheet.sign_off import latest_sheet
from shop.access import allow
from shop.http import Request
from shop.models.people import digits_of
from shop.roles import DESK
from shop.typed import line, one_of, token


def _usual(job: Job) -> str:
    """The message that a job at its stage most likely wants."""
    if job.stage == Stage.SIGNED_OFF:
        return "ready"
    return "thanks" if job.stage in SIGNED else "booked" if not job.is_here else "approval"


def links(job: Job, subject: str, text: str) -> dict[str, str]:
    """Addresses that open the person's own programs: sms: (RFC 5724) and mailto: (RFC 6068)."""
    phone = digits_of(job.customer.phone)
    number = f"+{phone}" if job.customer.phone.strip().startswith("+") else phone
    mail_text = quote(text.replace("\n", "\r\n"), safe="")
    return {
        "sms": f"sms:{number}?body={quote(text, safe='')}" if number else "",
        "mail": f"mailto:{quote(job.customer.email, safe='@')}"
        f"?subject={quote(subject, safe='')}&body={mail_text}"
        if job.customer.email
        else "",
    }


@allow(*DESK)
def message(request: Request, number: int) -> HttpResponse:
    """The text to look at and change; posting notes that it was sent, once."""
    job = get_object_or_404(Job.objects.with_names(), number=number)
    data = request.POST if request.method == "POST" else request.GET
    name = one_of(data.get("kind"), MESSAGES) or _usual(job)
    chosen = MESSAGES[name]
    text = chosen.text(job, request.shop)
    sheet = latest_sheet(job)
    usual = ["customer"] if name == "thanks" else []
    ticked = data.getlist("paper") if request.method == "POST" else usual
    refused: list[str] = []
    if request.method == "POST":
        text = line(data.get("text"))
        key = token(data.get("key"))
        by_mail = data.get("do") == "mail"
        try:
            if by_mail:
                subject = chosen.subject(job, request.shop)
                ask_for_mail(
                    number,
                    name,
                    subject,
                    text,
                    actor=request.user,
                    key=key,
                    sheet=sheet,
                    papers=ticked,
                )
            else:
                note_said(number, Said.MESSAGE, text, actor=request.user, key=key, about=name)
        except Refused as reason:
            refused = reason.reasons
        else:
            if request.htmx or data.get("by_itself"):
                return HttpResponse(status=204)
            done = "The mail is on its way." if by_mail else "The message is noted as sent."
            messages.success(request, done)
            return _desk_log(number)
    before = [
        one for one in said_on(job) if one.after.get("about") == name and not vars(one)["withdrawn"]
    ]
    context: dict[str, Any] = {
        "job": job,
        "kinds": MESSAGES.items(),
        "name": name,
        "subject": chosen.subject(job, request.shop),
        "text": text,
        "before": before,
        "on_its_way": [mail for mail in mails_of(job) if mail.about == name],
        "can_send": can_send() and bool(job.customer.email),
        "papers": [(key, paper.label, key in ticked) for key, paper in SHEET_PAPERS.items()],
        "sheet": sheet,
        "refused": refused,
        **links(job, chosen.subject(job, request.shop), text),
    }
    return render(request, "desk/message.html", context, status=422 if refused else 200)


def _desk_log(number: int) -> HttpResponse:
    return redirect(f"{reverse('job', args=[number])}#desk-log")


@allow(*DESK)
@require_POST
def mail_call_back(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a mail back that still waits."""
    get_object_or_404(Mail, pk=pk, job__number=number)
    try:
        call_back(number, pk)
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, gettext("The mail is called back: it does not go out."))
    return _desk_log(number)


@allow(*DESK)
@require_POST
def mail_settle(request: Request, number: int, pk: int) -> HttpResponse:
    """Say whether a mail arrived of which nobody knows; posted `arrived` is "1" or empty."""
    get_object_or_404(Mail, pk=pk, job__number=number)
    arrived = request.POST.get("arrived") == "1"
    settle(number, pk, arrived=arrived, actor=request.user)
    done = "It is noted as sent." if arrived else "It is noted as not sent: write it once more."
    messages.success(request, done)
    return _desk_log(number)
