"""Whether the record is what was signed and written: each difference is named.

Nothing is written here and nothing is mended. A job's log is compared link by link with its keyed
chain, each sheet, receipt and signed check-in with its seal, and the rows, photos and files of a
closed job with what was sealed when it was signed.
"""

import hmac
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from django.db import connection

from jobs import frozen, own_certificates, signing, wording
from jobs.models import (
    CheckIn,
    InstallSheet,
    Job,
    JobEvent,
    RecordChain,
    Seal,
    SealKind,
    SetupVersion,
    SheetReceipt,
)
from jobs.record_key import key_id
from jobs.services import record
from jobs.services.shop_chain import key_of_this_book
from jobs.sheet import document as sheet_document
from shop.frozen import missing as without_trigger, model_of

_SAID: Final = {
    "document": "the record",
    "document_sha256": "the record’s hash",
    "pdf": "the PDF",
    "pdf_sha256": "the PDF’s hash",
    "job_id": "the job it belongs to",
    "revision": "its number",
    "corrects_id": "which sheet it corrects",
    "correction_reason": "the reason for the correction",
    "handed_over_by_id": "who handed over",
    "sheet_id": "the sheet it belongs to",
    "signature": "the customer’s signature",
    "signed_name": "the customer’s name",
    "signed_by_id": "who signed",
    "signed_at": "when it was signed",
}
MOST_NAMED: Final = 5


@dataclass
class SheetCheck:
    """What was found of one sheet. `sealed_late` is set where its seal came after its signature."""

    problems: list[str] = field(default_factory=list)
    sealed_late: datetime | None = None
    by: str = ""

    @property
    def all(self) -> bool:
        return not self.problems


def _some(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


# The log


def _check_events(job_id: int, secret: bytes) -> list[str]:
    """What is wrong with a job's log: put in, changed, missing, out of order, cut off."""
    events = list(JobEvent.objects.filter(job_id=job_id).order_by("pk"))
    chain = RecordChain.objects.filter(pk=job_id).first()
    problems, taken, before = _taken_over(job_id, secret, events)
    links: dict[int, str] = {taken: before}
    last = taken
    for event in events[taken:]:
        what = f"event {event.number or ''} “{event.code}” of {wording.stamp(event.at)}"
        if event.number is None or event.number <= taken or event.number in links:
            problems.append(f"{what} (row {event.pk}) was put in by hand.")
            continue
        if event.number < last:
            problems.append(f"{what} is out of order.")
        last = max(last, event.number)
        links[event.number] = event.chain
    known = {event.number: event for event in events[taken:]}
    gone = [str(n) for n in range(taken + 1, last + 1) if n not in links]
    if gone:
        problems.append(f"the log lacks event {_some(gone)}.")
    for number, event in known.items():
        if number is None or number - 1 not in links:
            continue
        if not hmac.compare_digest(record.link(secret, links[number - 1], event), event.chain):
            problems.append(
                f"event {number} “{event.code}” does not follow from the one before it: it was "
                "changed or put in by hand, or the log was damaged before it."
            )
    if chain is None:
        if events:
            problems.append("the head of the log is gone.")
    elif not hmac.compare_digest(
        chain.mac, record.head_mac(secret, job_id, chain.count, chain.head)
    ):
        problems.append("the head of the log was changed.")
    elif chain.count != last or chain.head != links[last]:
        problems.append(f"the log ends at event {last}, and {chain.count} were written.")
    return problems


def _taken_over(job_id: int, secret: bytes, events: list[JobEvent]) -> tuple[list[str], int, str]:
    """How many events were there when the job was taken over, and the link they give."""
    seal = (
        Seal.objects.filter(job_id=job_id, kind=SealKind.ADOPTED, key_id=key_id(secret))
        .order_by("pk")
        .last()
    )
    if seal is None:
        return [], 0, ""
    if problem := _forged(seal, secret):
        return [problem], 0, ""
    count: int = seal.content["taken_over"]
    if record.events_digest(events[:count]) != seal.content["digest"]:
        return [f"one of its first {count} events was changed or removed."], count, seal.mac
    return [], count, seal.mac


# Seals


def _forged(seal: Seal, secret: bytes) -> str:
    if hmac.compare_digest(seal.mac, record.seal_mac(secret, seal)):
        return ""
    return f"the seal “{seal}” was forged or changed."


def _seal_of(job_id: int, kind: SealKind, about: str, secret: bytes) -> Seal | None:
    return (
        Seal.objects.filter(job_id=job_id, kind=kind, about=about, key_id=key_id(secret))
        .order_by("pk")
        .last()
    )


def _columns(seal: Seal, row: Any, what: str) -> list[str]:
    """Columns of a sealed row that are no longer what they were; new columns are not known."""
    now = record.column_digests(row)
    sealed = seal.content["columns"]
    differ = [name for name in sealed if name in now and now[name] != sealed[name]]
    labels = [_SAID.get(name, name) for name in differ]
    return [f"{what}: {_some(labels)} was changed."] if labels else []


def _log_of(seal: Seal) -> list[str]:
    """The log that a seal saw is still the beginning of the log."""
    if "head" not in seal.content:
        return []
    count, head = seal.content["events"], seal.content["head"]
    adopted = Seal.objects.filter(job_id=seal.job_id, kind=SealKind.ADOPTED, mac=head).exists()
    if adopted or JobEvent.objects.filter(job_id=seal.job_id, number=count, chain=head).exists():
        return []
    return [f"the log is not the one that was signed with “{seal}”."]


def _files(seal: Seal) -> list[str]:
    storages = {
        field.name: field.storage
        for label in frozen.WITH_JOB
        for field in record.file_fields(label)
    }
    storage = next(iter(storages.values()))
    problems = []
    for name, sha256 in seal.content.get("files", {}).items():
        now = record.file_sha256(storage, name)
        if not now and sha256:
            problems.append(f"the file {name} is gone.")
        elif now != sha256:
            problems.append(f"the file {name} was replaced.")
    return problems


def _rows(seal: Seal, only: dict[str, Any] | None = None) -> list[str]:
    """Rows changed, removed or put in since the seal; `only` gives the rows of some tables."""
    problems = []
    for label, sealed in seal.content.get("rows", {}).items():
        try:
            meta = model_of(label)._meta
        except LookupError:
            continue  # The program has no such table any more.
        columns = sealed["columns"]
        if not set(columns) <= {field.attname for field in meta.concrete_fields}:
            continue  # The table has lost a column: nobody could say what it held.
        rows = (only or {}).get(label)
        if rows is None:
            rows = record.rows_of(label, seal.job_id)
        now, then = record.row_digests(rows, columns), sealed["rows"]
        for keys, verb in (
            ([one for one in then if one in now and now[one] != then[one]], "changed"),
            ([one for one in then if one not in now], "removed"),
            ([one for one in now if one not in then], "put in"),
        ):
            if keys:
                problems.append(f"{meta.verbose_name} {_some(keys)} was {verb} after signing.")
    return problems


# A sheet, a job, the book


def check_sheet(sheet: InstallSheet) -> SheetCheck:
    """Document, PDF, number, receipt, photos and log of a signed sheet. Raises KeyLost."""
    secret = key_of_this_book()
    check = _check_sheet(sheet, secret, _former())
    check.problems += [f"the job’s log: {one}" for one in _check_events(sheet.job_id, secret)]
    return check


def _former() -> frozenset[str]:
    """The fingerprints of the shop's certificates, read once for all that is checked together."""
    return frozenset(row.fingerprint for row in own_certificates.known())


def _check_sheet(sheet: InstallSheet, secret: bytes, former: frozenset[str]) -> SheetCheck:
    check = SheetCheck()
    about = str(sheet.revision)
    seal = _seal_of(sheet.job_id, SealKind.SHEET, about, secret)
    if seal is None:
        check.problems.append("it has no seal: it was not signed in this book.")
    elif problem := _forged(seal, secret):
        check.problems.append(problem)
    else:
        check.sealed_late = seal.at if seal.late else None
        if seal.content["number"] != sheet.number:
            check.problems.append(f"its number was {seal.content['number']}.")
        check.problems += _columns(seal, sheet, "the sheet")
        check.problems += _log_of(seal) + _files(seal)
    if sheet_document.sha256_of(sheet.document) != sheet.document_sha256:
        check.problems.append("the record does not have the hash that stands beside it.")
    lost = seal.content.get("certificate", "") if seal is not None else ""
    counts = former | {lost}
    check.by = _signature(check, bytes(sheet.pdf), sheet, counts, "the PDF")
    receipt: SheetReceipt | None = getattr(sheet, "receipt", None)
    receipt_seal = _seal_of(sheet.job_id, SealKind.RECEIPT, about, secret)
    if receipt is not None:
        if receipt_seal is None:
            check.problems.append("the customer’s signature has no seal.")
        elif problem := _forged(receipt_seal, secret):
            check.problems.append(problem)
        else:
            check.problems += _columns(receipt_seal, receipt, "the receipt")
            check.problems += _log_of(receipt_seal)
        what = "the PDF with the customer’s signature"
        _signature(check, bytes(receipt.pdf), sheet, counts, what)
    elif receipt_seal is not None:
        check.problems.append("the customer’s signature is gone.")
    return check


def _signature(
    check: SheetCheck, pdf: bytes, sheet: InstallSheet, counts: frozenset[str], what: str
) -> str:
    shop_name = sheet.document.get("shop", {}).get("name", "")
    signature = signing.check(pdf, shop_name, former=counts)
    if not signature.valid:
        check.problems.append(
            f"{what} does not carry this shop’s signature over its whole content."
        )
    return signature.by


def check_job(job: Job) -> list[str]:
    """Everything of one job, each problem one sentence that begins with what it is of."""
    return _check_job(job, key_of_this_book(), _former())


def _check_job(job: Job, secret: bytes, former: frozenset[str]) -> list[str]:
    problems = [f"{job}: {one}" for one in _check_events(job.pk, secret)]
    sheets = list(job.sheets.select_related("job", "receipt").order_by("revision"))
    for sheet in sheets:
        problems += [
            f"{sheet.number}: {one}" for one in _check_sheet(sheet, secret, former).problems
        ]
    problems += [f"{job}: {one}" for one in _gone(job, sheets, secret)]
    problems += [f"{job}: {one}" for one in _check_in(job, secret)]
    problems += [f"{job}: {one}" for one in _stage(job)]
    if sheets and _is_closed(job):
        seal = _seal_of(job.pk, SealKind.SHEET, str(sheets[-1].revision), secret)
        if seal is not None and not _forged(seal, secret):
            problems += [f"{job}: {one}" for one in _rows(seal)]
    return problems


def _is_closed(job: Job) -> bool:
    table = Job._meta.db_table
    where = frozen.CLOSED.replace("job.", f"{table}.")
    return Job.objects.filter(pk=job.pk).extra(where=[where]).exists()


def _gone(job: Job, sheets: list[InstallSheet], secret: bytes) -> list[str]:
    """Sheets that seals or the log know of, and that are not there."""
    have = {str(sheet.revision) for sheet in sheets}
    kinds = [SealKind.SHEET, SealKind.RECEIPT]
    seals = Seal.objects.filter(job=job, kind__in=kinds, key_id=key_id(secret))
    wanted = set(seals.values_list("about", flat=True))
    wanted |= {
        str(after.get("number", "")).rpartition("-")[2]
        for after in job.events.filter(code="sheet.signed").values_list("after", flat=True)
    }
    return [f"sheet {job}-{one} is gone." for one in sorted(wanted - have)]


def _check_in(job: Job, secret: bytes) -> list[str]:
    check_in = CheckIn.objects.filter(job=job).first()
    seal = _seal_of(job.pk, SealKind.CHECK_IN, "", secret)
    signed = check_in is not None and check_in.signed_at is not None
    if seal is None:
        return ["the signed check-in has no seal."] if signed else []
    if problem := _forged(seal, secret):
        return [problem]
    if check_in is None or not signed:
        return ["the signed check-in is gone."]
    photos = {"jobs.Photo": record.check_in_photos(check_in)}
    return [f"check-in: {one}" for one in (*_rows(seal, photos), *_files(seal), *_log_of(seal))]


def _stage(job: Job) -> list[str]:
    """The job stands where its log last moved it."""
    moves = (
        job.events.filter(code__startswith="job.").order_by("-pk").values_list("after", flat=True)
    )
    told = next((after["stage"] for after in moves if "stage" in after), None)
    if told is None or told == job.stage:
        return []
    return [f"it stands at “{job.stage}”, and its log moved it to “{told}”."]


def check_book() -> Iterator[str]:
    """Everything that is wrong with the record, one sentence each. Raises KeyLost."""
    secret = key_of_this_book()
    yield from own_certificates.check()
    signing.own_certificate()
    for table in without_trigger(connection):
        yield f"Database: the triggers that protect {table} are gone or changed."
    former = _former()
    for job in Job.objects.order_by("number").iterator(chunk_size=200):
        yield from _check_job(job, secret, former)
    known = set(Job.objects.values_list("pk", flat=True))
    for model in (Seal, RecordChain):
        for job_id in set(model._default_manager.values_list("job_id", flat=True)) - known:
            yield f"Job of row {job_id}: it is gone, and the record knows it."
    for version in SetupVersion.objects.select_related("setup").iterator(chunk_size=200):
        if sheet_document.sha256_of(version.document) != version.document_sha256:
            yield f"Setup “{version.setup}”, {version}: it does not have the hash beside it."
