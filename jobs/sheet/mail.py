"""Mail to customers: asked for at the desk, sent by a process of its own, never sent twice.

A mail is claimed before it is given to the mail server. What the server refuses is known not to be
sent, and tried again later or given up; where the connection breaks after the text was given, or
the process is killed meanwhile, nobody can know, and the desk is asked instead of sending again.
"""

import logging
import smtplib
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from typing import Any, Final

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.models import Delivery, InstallSheet, Job, Mail, Said
from jobs.services.desk import LONGEST, note_said
from jobs.services.saving import locked_job
from jobs.sheet.papers import SHEET_PAPERS
from shop.languages import first_of, speaking
from shop.models import Shop, StaffMember

logger = logging.getLogger(__name__)

PAUSES_MIN: Final = (1, 5, 15, 60, 240, 720)
"""Minutes before each further try; after the last the mail is given up."""
LONGEST_ON_ITS_WAY: Final = timedelta(minutes=10)
"""A mail that is longer on its way was left there by a process that ended."""
STOPPED: Final = "The program was stopped while it went out."


def can_send() -> bool:
    """Whether a mail server is set."""
    return bool(settings.MAIL_SERVER)


@transaction.atomic
def ask_for_mail(
    number: int,
    about: str,
    subject: str,
    text: str,
    *,
    actor: StaffMember,
    key: str = "",
    sheet: InstallSheet | None = None,
    papers: Iterable[str] = (),
) -> Mail:
    """Put a mail to the job's customer on its way, once for each key.

    `papers` are names of SHEET_PAPERS: of `sheet`, made when the mail goes out, and named below
    the text. Raises Refused without a mail server, an address or words, and when the same words
    are on their way to the same address already.
    """
    job = locked_job(number)
    if key and (before := Mail.objects.filter(key=key).first()):
        return before
    to, text = job.customer.email.strip(), text.strip()
    if not can_send():
        raise Refused(gettext("No mail server is set: open the text in your own mail program."))
    if not to:
        raise Refused(
            gettext("Enter a mail address for %(customer)s first.")
            % {"customer": job.customer.name}
        )
    try:
        validate_email(to)
    except ValidationError:
        raise Refused(
            gettext("“%(to)s” is no mail address: put it right at the customer first.") % {"to": to}
        ) from None
    if not text:
        raise Refused(gettext("Write the text first."))
    papers = [name for name in SHEET_PAPERS if name in set(papers)] if sheet else []
    if sheet and papers:
        names = [SHEET_PAPERS[name].file_name(sheet) for name in papers]
        with speaking(first_of(job.customer, Shop.objects.current())):
            enclosed = gettext("With this mail: %(files)s") % {"files": wording.listed(names)}
        text += f"\n\n{enclosed}"
    if len(text) > LONGEST:
        raise Refused(gettext("The text is too long for one mail: shorten it."))
    on_its_way = job.mails.filter(to=to, text=text, delivery__in=(Delivery.WAITING, Delivery.GOING))
    if on_its_way.exists():
        raise Refused(gettext("This text is on its way to this address already."))
    subject = " ".join(subject.split())[:200]
    return Mail.objects.create(
        job=job,
        about=about,
        to=to,
        subject=subject,
        text=text,
        sheet=sheet if papers else None,
        papers=papers,
        by=actor,
        key=key,
    )


@transaction.atomic
def call_back(number: int, pk: int) -> Mail:
    """Take a mail back that has not gone out; again changes nothing.

    Raises Refused when it is going out or has gone.
    """
    job = locked_job(number)
    Mail.objects.filter(pk=pk, job=job, delivery=Delivery.WAITING).update(
        delivery=Delivery.CALLED_BACK
    )
    mail = Mail.objects.get(pk=pk, job=job)
    if mail.delivery != Delivery.CALLED_BACK:
        raise Refused(gettext("It has gone out already: it cannot be called back."))
    return mail


@transaction.atomic
def settle(number: int, pk: int, *, arrived: bool, actor: StaffMember) -> Mail:
    """Say of a mail that was perhaps sent whether it arrived; one that did is noted as sent."""
    job = locked_job(number)
    mail = Mail.objects.get(pk=pk, job=job)
    if mail.delivery == Delivery.UNSURE:
        if arrived:
            _note(mail, actor)
        mail.delivery = Delivery.SENT if arrived else Delivery.REFUSED
        mail.save(update_fields=["delivery"])
    return mail


def mails_of(job: Job) -> list[Mail]:
    """Mails of a job that have not plainly been sent or called back, the newest first."""
    open_ones = job.mails.exclude(delivery__in=(Delivery.SENT, Delivery.CALLED_BACK))
    return list(open_ones.select_related("by").order_by("-asked_at", "-pk"))


# Sending --------------------------------------------------------------------------------------


def send_due(
    connect: Callable[[], BaseEmailBackend] = get_connection, now: datetime | None = None
) -> int:
    """Send every mail whose time has come; gives how many went out.

    Any number of processes may do so at once: each mail is claimed by one.
    """
    now = now or timezone.now()
    sent = 0
    _settle_left_behind(now)
    due = Mail.objects.filter(delivery=Delivery.WAITING, not_before__lte=now)
    for pk in list(due.values_list("pk", flat=True)):
        if due.filter(pk=pk).update(delivery=Delivery.GOING, going_since=now):
            mail = Mail.objects.select_related("job", "by", "sheet__receipt").get(pk=pk)
            sent += _send(mail, connect, now)
    return sent


def _settle_left_behind(now: datetime) -> None:
    Mail.objects.filter(delivery=Delivery.GOING, going_since__lt=now - LONGEST_ON_ITS_WAY).update(
        delivery=Delivery.UNSURE, problem=STOPPED
    )


def _send(mail: Mail, connect: Callable[[], BaseEmailBackend], now: datetime) -> int:
    try:
        papers = _papers(mail)
    except Refused as reason:
        _move(mail, Delivery.REFUSED, _words(reason))
        return 0
    except Exception as error:  # a paper that cannot be made holds no other mail up
        logger.exception("Papers of mail %s", mail.pk)
        _later(mail, error, now)
        return 0
    try:
        connection = connect()
        connection.open()
    except (OSError, smtplib.SMTPException) as error:
        _later(mail, error, now)  # Nothing was given to the server.
        return 0
    try:
        message = EmailMessage(
            mail.subject,
            mail.text,
            to=[mail.to],
            headers={"Message-ID": f"<mail-{mail.pk}-{mail.asked_at.timestamp():.6f}@loombook>"},
            connection=connection,
            attachments=papers,
        )
        message.send()
    except smtplib.SMTPRecipientsRefused as error:
        codes = [code for code, _ in error.recipients.values()]
        _refused(mail, error, now, for_good=all(code >= 500 for code in codes))
        return 0
    except smtplib.SMTPResponseException as error:
        _refused(mail, error, now, for_good=error.smtp_code >= 500)
        return 0
    except (OSError, smtplib.SMTPException) as error:
        _move(mail, Delivery.UNSURE, _words(error))
        return 0
    finally:
        connection.close()
    with transaction.atomic():
        if _move(mail, Delivery.SENT):
            _note(mail, mail.by)
    return 1


def _papers(mail: Mail) -> list[tuple[str, bytes, str]]:
    """The files that go with it; raises Refused where they should not or cannot."""
    if mail.sheet is None:
        return []
    if later := mail.sheet.job.sheets.filter(corrects=mail.sheet).first():
        raise Refused(
            gettext("%(sheet)s was corrected meanwhile: send %(later)s.")
            % {"sheet": mail.sheet.number, "later": later.number}
        )
    papers = [SHEET_PAPERS[name] for name in mail.papers]
    return [(one.file_name(mail.sheet), one.pdf(mail.sheet), "application/pdf") for one in papers]


def _note(mail: Mail, actor: StaffMember) -> None:
    key = f"mail-{mail.pk}"
    note_said(mail.job.number, Said.MESSAGE, mail.text, actor=actor, key=key, about=mail.about)


def _words(error: Exception) -> str:
    return (str(error) or type(error).__name__)[:400]


def _refused(mail: Mail, error: Exception, now: datetime, *, for_good: bool) -> None:
    if for_good:
        _move(mail, Delivery.REFUSED, _words(error))
    else:
        _later(mail, error, now)


def _later(mail: Mail, error: Exception, now: datetime) -> None:
    if mail.tries >= len(PAUSES_MIN):
        _move(mail, Delivery.REFUSED, _words(error))
        return
    pause = timedelta(minutes=PAUSES_MIN[mail.tries])
    words, tries = _words(error), mail.tries + 1
    _move(mail, Delivery.WAITING, words, not_before=now + pause, tries=tries)


def _move(mail: Mail, delivery: Delivery, problem: str = "", **more: Any) -> int:
    """From going out to what became of it, unless another process has settled it meanwhile."""
    going = Mail.objects.filter(pk=mail.pk, delivery=Delivery.GOING)
    return going.update(delivery=delivery, problem=problem, **more)
