"""Review, sign-off, correction and hand-over: the only ways to a signed sheet and past it.

Making a PDF takes longer than a writer may hold the database. So the document is frozen and
rendered first, then inside the transaction built again under the job's lock: when it is no longer
the same, nothing is written.
"""

import hashlib
from collections.abc import Iterable
from datetime import datetime
from typing import Final

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import REASON_OPEN
from jobs.lists.messages import MESSAGES
from jobs.models import FindingReason, InstallSheet, Job, SheetReceipt
from jobs.plan.document import findings_of
from jobs.plan.power import Finding
from jobs.services import record
from jobs.services.events import done_before, log
from jobs.services.moves import check_move, check_stage, move
from jobs.services.work_done import own_in_review
from jobs.sheet import document as sheet_document, render
from jobs.sheet.mail import ask_for_mail
from shop.models import Shop, StaffMember
from shop.roles import BENCH

NOT_OWN: Final = (
    "You had a hand in this work or its entries, and in this shop nobody reviews their own: "
    "ask another manager to sign, or allow it under Shop."
)
"""Why somebody may not sign, where the shop lets nobody review their own work."""


@transaction.atomic
def give_reason(
    job_id: int, fingerprint: str, reason: str, actor: StaffMember, key: str = ""
) -> FindingReason | None:
    """Write why a caution may stand; an empty reason takes it back. Raises Refused.

    `key` is the client's save key: a repeat after a lost reply changes nothing.
    """
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    _refuse_reasons(job, actor)
    given = job.finding_reasons.filter(fingerprint=fingerprint).first()
    reason = reason.strip()
    if reason == (given.reason if given else "") or done_before(key):
        return given
    finding = next((one for one in findings_of(job) if one.fingerprint == fingerprint), None)
    return _write_reason(job, fingerprint, finding, given, reason, actor, key)


def _refuse_reasons(job: Job, actor: StaffMember) -> None:
    """Raise Refused where this person, or this job now, gives no reasons."""
    if actor.roles.isdisjoint(BENCH):
        raise Refused(gettext("Reasons for cautions are given by a technician or a manager."))
    if job.stage not in REASON_OPEN and not job.correction:
        raise Refused(
            gettext("%(job)s is %(standing)s: reasons are given in the bay or in review.")
            % {"job": job, "standing": job.standing}
        )


def _write_reason(
    job: Job,
    fingerprint: str,
    finding: Finding | None,
    given: FindingReason | None,
    reason: str,
    actor: StaffMember,
    key: str,
) -> FindingReason | None:
    """Write the reason of a finding of the locked job, or take the one that was given back."""
    before = given.reason if given else ""
    if finding is None and reason:
        raise ChangedMeanwhile(gettext("This finding is gone: reload the page."))
    if finding is not None and finding.severity == "stop":
        raise Refused(gettext("A stop cannot be signed over: it has to be put right."))
    if reason:
        given, _ = job.finding_reasons.update_or_create(
            fingerprint=fingerprint, defaults={"reason": reason, "by": actor}
        )
    elif given is not None:
        given.delete()
        given = None
    log(
        job,
        actor,
        "finding.reason",
        subject=f"finding:{fingerprint}"[:60],
        before={"reason": before},
        after={"reason": reason, "finding": finding.title if finding else fingerprint},
        key=key,
    )
    return given


@transaction.atomic
def give_one_reason(
    job_id: int, fingerprints: Iterable[str], reason: str, actor: StaffMember, key: str = ""
) -> int:
    """Give several cautions one reason, or take theirs back; how many were changed.

    What is no caution of the job any more is passed over. Raises Refused.
    """
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    wanted = set(fingerprints)
    reason = reason.strip()
    given: dict[str, FindingReason | None] = {
        one.fingerprint: one for one in job.finding_reasons.all()
    }

    def differs(fingerprint: str) -> bool:
        stands = given.get(fingerprint)
        return reason != (stands.reason if stands else "")

    changed = [
        one
        for one in findings_of(job)
        if one.severity == "caution" and one.fingerprint in wanted and differs(one.fingerprint)
    ]
    if changed:
        _refuse_reasons(job, actor)
    for number, finding in enumerate(changed):
        name, own_key = finding.fingerprint, f"{key}-{number}" if key else ""
        if differs(name) and not done_before(own_key):
            given[name] = _write_reason(job, name, finding, given.get(name), reason, actor, own_key)
    return len(changed)


def _signing(job: Job, actor: StaffMember, at: datetime) -> sheet_document.Signing:
    last = job.sheets.defer("pdf").order_by("-revision").first()
    return sheet_document.Signing(
        revision=last.revision + 1 if last else 1,
        signed_by=actor,
        signed_at=at,
        corrects=last,
        correction_reason=job.correction_reason,
    )


def sign_off_job(job_id: int, actor: StaffMember) -> InstallSheet:
    """Sign: freeze the document, make its PDF once, store both, move the job to signed off.

    A correction is signed the same way and leaves the job in its stage. Raises Refused when the
    person may not, a stop is open, a caution has no reason or a correction changes nothing;
    ChangedMeanwhile when the job changed while the sheet was being made.
    """
    job = sheet_document.load(pk=job_id)
    name = "sign_correction" if job.correction else "sign_off"
    check_move(job, name, actor, but="sheet_frozen")
    if not Shop.objects.current().own_review_allowed and own_in_review(job, actor):
        raise Refused(NOT_OWN)
    signing = _signing(job, actor, timezone.now())
    document = sheet_document.freeze(job, signing)
    digest = sheet_document.sha256_of(document)
    pdf = render.signed_pdf(document)
    record.files_of_job(job_id)  # Read now, so that the transaction has not to.
    with transaction.atomic():
        locked = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
        check_stage(locked, name)
        if locked.sheets.filter(revision=signing.revision).exists():
            raise ChangedMeanwhile(
                gettext("Somebody else signed this job meanwhile: read it again.")
            )
        now = sheet_document.freeze(sheet_document.load(pk=job_id), signing)
        if sheet_document.sha256_of(now) != digest:
            raise ChangedMeanwhile(
                gettext("The job changed while you were signing: read it again.")
            )
        sheet = InstallSheet.objects.create(
            job=job,
            revision=signing.revision,
            corrects=signing.corrects,
            correction_reason=signing.correction_reason,
            document=document,
            document_sha256=digest,
            pdf=pdf,
            pdf_sha256=hashlib.sha256(pdf).hexdigest(),
            signed_by=actor,
            signed_at=signing.signed_at,
        )
        move(job_id, name, actor)
        log(
            job,
            actor,
            "sheet.signed",
            subject=f"installsheet:{sheet.pk}",
            after={"number": sheet.number, "document_sha256": digest},
        )
        record.seal_sheet(sheet)
    return sheet


def latest_sheet(job: Job) -> InstallSheet | None:
    """The newest signed sheet of a job, without its PDF."""
    return (
        job.sheets.select_related("job", "receipt", "signed_by")
        .defer("pdf", "receipt__pdf")
        .order_by("-revision")
        .first()
    )


def collect_job(
    job_id: int, actor: StaffMember, signed_name: str, signature: str = "", *, mailed: bool = False
) -> SheetReceipt:
    """Hand over: the customer signs the newest sheet, and the job is collected.

    `signature` is a PNG data URL; empty where the typed name stands alone. With `mailed` the
    customer's page is put on its way by mail in the same transaction. Raises Refused; where it is
    the mail that is refused, nothing is signed either.
    """
    job = Job.objects.get(pk=job_id)
    check_move(job, "collect", actor, but="customer_signed")
    sheet = latest_sheet(job)
    signed_name = " ".join(signed_name.split())
    if sheet is None or not signed_name:
        raise Refused(gettext("The customer signs the install sheet: write the name in capitals."))
    if hasattr(sheet, "receipt"):
        raise ChangedMeanwhile(
            gettext("The customer has signed this sheet already: reload the page.")
        )
    signed_at = timezone.now()
    receipt = sheet_document.receipt_of(signed_name, signature, signed_at, actor)
    pdf = render.signed_pdf(sheet.document, receipt)
    with transaction.atomic():
        Job.objects.select_for_update(of=("self",)).get(pk=job_id)
        if SheetReceipt.objects.filter(sheet=sheet).exists():
            raise ChangedMeanwhile(
                gettext("The customer has signed this sheet already: reload the page.")
            )
        row = SheetReceipt.objects.create(
            sheet=sheet,
            signed_name=signed_name,
            signature=signature,
            signed_at=signed_at,
            handed_over_by=actor,
            pdf=pdf,
            pdf_sha256=hashlib.sha256(pdf).hexdigest(),
        )
        move(job_id, "collect", actor)
        log(
            job,
            actor,
            "sheet.received",
            subject=f"installsheet:{sheet.pk}",
            after={"number": sheet.number, "name": signed_name},
        )
        record.seal_receipt(row)
        if mailed:
            thanks = MESSAGES["thanks"]
            shop = Shop.objects.current()
            ask_for_mail(
                job.number,
                "thanks",
                thanks.subject(job, shop),
                thanks.text(job, shop),
                actor=actor,
                key=f"receipt-{row.pk}",
                sheet=sheet,
                papers=["customer"],
            )
    return row
