"""The keyed record: a chain through each job's event log, and seals over what is signed.

Each event carries a keyed hash over itself and the one before it, and the job's chain row a keyed
hash over how many there are. A seal is a keyed hash over the digests of what was signed, made in
the transaction that signs. `jobs.sheet.record_check` compares all of it with what stands.
"""

import hashlib
import hmac
import json
import math
from collections.abc import Callable, Hashable, Iterable
from datetime import UTC, datetime
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any, Final

from django.db import connection, models, transaction
from django.utils import timezone

from jobs import frozen, own_certificates
from jobs.models import (
    CheckIn,
    InstallSheet,
    Job,
    JobEvent,
    RecordChain,
    Seal,
    SealKind,
    SheetReceipt,
    ShopChain,
)
from jobs.record_key import another, key, key_id, key_path, new_key, write_key
from shop.frozen import model_of

_EXACT: Final = 2**53
CHECK_IN_TABLES: Final = ("jobs.CheckIn", "jobs.ConditionMark")


def plain(value: Any) -> Any:
    """The value as types that come back alike from either database, for hashing alone."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, str):
        return str.__str__(value)
    if isinstance(value, int | float):
        if isinstance(value, float) and not math.isfinite(value):
            return repr(value)
        if abs(value) < _EXACT and value == int(value):
            return int(value)
        return repr(float(value))
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, bytes | memoryview):
        return f"sha256 {hashlib.sha256(value).hexdigest()}"
    if isinstance(value, dict):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return str(value.normalize() if isinstance(value, Decimal) else value)


_AS_JSON: Final = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def canonical(value: Any) -> bytes:
    return _AS_JSON.encode(plain(value)).encode()


def digest(value: Any) -> str:
    """Short enough to keep by the hundred, long enough that no second value has it."""
    return hashlib.sha256(canonical(value)).hexdigest()[:32]


def mac(secret: bytes, *parts: Any) -> str:
    """A keyed hash over the parts and their order."""
    return hmac.new(secret, canonical(parts), hashlib.sha256).hexdigest()


# The chain through a job's log


def _told(event: JobEvent) -> list[Any]:
    return [
        event.job_id,
        event.at,
        event.actor_id,
        event.code,
        event.subject,
        event.before,
        event.after,
        event.key,
    ]


def link(secret: bytes, before: str, event: JobEvent) -> str:
    """The link of an event that follows the one whose link is `before`."""
    return mac(secret, "event", before, event.number, _told(event))


def head_mac(secret: bytes, job_id: int, count: int, head: str) -> str:
    return mac(secret, "head", job_id, count, head)


def events_digest(events: Iterable[JobEvent]) -> str:
    """Over events that were written before there was a key."""
    return digest([[event.pk, *_told(event)] for event in events])


@transaction.atomic(savepoint=False)
def write(event: JobEvent) -> JobEvent:
    """Add an event to its job's log, linked; inside the transaction of what it tells of.

    Where the head of the log is gone or forged the shop goes on working, and the break shows:
    the event follows nothing. With the key of another book it would break log after log: that is
    refused (KeyLost). Every save passes here, so head and event are read and written in plain
    SQL, on PostgreSQL both in one statement: the ORM took as long for it as the rest of a cell's
    save.
    """
    secret = key()
    with connection.cursor() as cursor:
        cursor.execute(
            _READ_HEAD + ("" if connection.vendor == "sqlite" else " FOR UPDATE"), [event.job_id]
        )
        row = cursor.fetchone()
        count, head, sealed = row or (_written(event.job_id), "", "")
        if not hmac.compare_digest(sealed, head_mac(secret, event.job_id, count, head)):
            from jobs.services.shop_chain import is_of_this_book

            if not is_of_this_book(secret):
                raise another()
            head = ""
        event.number = count + 1
        event.chain = link(secret, head, event)
        sealed = head_mac(secret, event.job_id, event.number, event.chain)
        moved = [event.number, event.chain, sealed, event.job_id]
        move = _MOVE_HEAD if row else _FIRST_HEAD
        added = [put(getattr(event, name), connection) for name, put in _columns()]
        if connection.vendor == "sqlite":
            cursor.execute(move, moved)
            cursor.execute(_insert(), added)
        else:
            cursor.execute(f"WITH moved AS ({move}) {_insert()}", [*moved, *added])
        event.pk = cursor.fetchone()[0]
    event._state.adding, event._state.db = False, connection.alias
    return event


_READ_HEAD: Final = "SELECT count, head, mac FROM jobs_recordchain WHERE job_id = %s"
_MOVE_HEAD: Final = "UPDATE jobs_recordchain SET count = %s, head = %s, mac = %s WHERE job_id = %s"
_FIRST_HEAD: Final = (
    "INSERT INTO jobs_recordchain (count, head, mac, job_id) VALUES (%s, %s, %s, %s)"
)


@cache
def _columns() -> tuple[tuple[str, Callable[[Any, Any], Any]], ...]:
    """Each column of an event but its key, with what makes of its value what the database keeps."""
    fields = JobEvent._meta.concrete_fields
    return tuple((one.attname, one.get_db_prep_save) for one in fields if not one.primary_key)


@cache
def _insert() -> str:
    names = [name for name, _ in _columns()]
    return (
        f"INSERT INTO jobs_jobevent ({', '.join(map(connection.ops.quote_name, names))}) "
        f"VALUES ({', '.join(['%s'] * len(names))}) RETURNING id"
    )


def _written(job_id: int) -> int:
    """How many events a job without a head has."""
    totals = JobEvent.objects.filter(job_id=job_id).aggregate(
        rows=models.Count("pk"), last=models.Max("number")
    )
    return int(max(totals["rows"], totals["last"] or 0))


# What is sealed


def _digest_of_rows(label: str, rows: "models.QuerySet[Any]") -> dict[str, Any]:
    """Each row's digest by its key, and the columns it is over."""
    meta = model_of(label)._meta
    opens = frozen.WITH_JOB.get(label, frozenset())
    columns = [field.attname for field in meta.concrete_fields if field.name not in opens]
    return {"columns": columns, "rows": row_digests(rows, columns)}


def row_digests(rows: "models.QuerySet[Any]", columns: list[str]) -> dict[str, str]:
    return {str(row[0]): digest(row[1:]) for row in rows.order_by("pk").values_list("pk", *columns)}


def rows_of(label: str, job_id: int) -> "models.QuerySet[Any]":
    """The rows of one table that belong to a job."""
    model = model_of(label)
    return model._default_manager.filter(**{frozen.job_path(model): job_id})


def check_in_photos(check_in: CheckIn) -> "models.QuerySet[Any]":
    """The photos that the customer signed the condition with."""
    about = models.Q(subject="check_in") | models.Q(subject__startswith="mark:")
    return rows_of("jobs.Photo", check_in.job_id).filter(about, at__lte=check_in.signed_at)


@lru_cache(maxsize=4096)
def _file_sha256(storage: Any, name: str, _standing: Hashable) -> str:
    return file_sha256(storage, name)


def file_sha256(storage: Any, name: str) -> str:
    """SHA-256 of a stored file; empty when it is gone."""
    try:
        with storage.open(name) as file:
            return hashlib.file_digest(file.file, "sha256").hexdigest()
    except FileNotFoundError:
        return ""


def file_fields(label: str) -> list[models.FileField]:
    fields = model_of(label)._meta.concrete_fields
    return [field for field in fields if isinstance(field, models.FileField)]


def files_of(label: str, rows: "models.QuerySet[Any]") -> dict[str, str]:
    """The files that rows name, each with its SHA-256."""
    hashes = {}
    for field in file_fields(label):
        storage: Any = field.storage
        for name in rows.exclude(**{field.name: ""}).values_list(field.name, flat=True):
            try:
                standing = storage.standing(name)
            except FileNotFoundError:
                hashes[name] = ""
            else:
                hashes[name] = _file_sha256(storage, name, standing)
    return hashes


def files_of_job(job_id: int) -> dict[str, str]:
    """Every file of a job. Reading them takes a while: do it once before a transaction."""
    return {
        name: sha256
        for label in frozen.WITH_JOB
        if file_fields(label)
        for name, sha256 in files_of(label, rows_of(label, job_id)).items()
    }


def _rows_of_job(job_id: int) -> dict[str, Any]:
    return {label: _digest_of_rows(label, rows_of(label, job_id)) for label in frozen.WITH_JOB}


def column_digests(row: models.Model) -> dict[str, str]:
    """Each column of one row on its own, so that a check can say which was changed."""
    return {
        field.attname: digest(getattr(row, field.attname)) for field in row._meta.concrete_fields
    }


def seal_mac(secret: bytes, seal: Seal) -> str:
    told = [seal.job_id, seal.kind, seal.about, seal.content, seal.late, seal.at, seal.key_id]
    return mac(secret, "seal", told)


def _seal(job_id: int, kind: SealKind, about: str, content: dict[str, Any], **more: Any) -> Seal:
    secret: bytes = more.pop("secret", None) or key()
    chain = RecordChain.objects.filter(pk=job_id).first()
    if chain is not None:
        content = {**content, "events": chain.count, "head": chain.head}
    seal = Seal(
        job_id=job_id,
        kind=kind,
        about=about,
        content=content,
        at=timezone.now(),
        key_id=key_id(secret),
        **more,
    )
    seal.mac = seal_mac(secret, seal)
    seal.save(force_insert=True)
    return seal


def seal_sheet(
    sheet: InstallSheet, *, with_rows: bool = True, certificate: str = "", **more: Any
) -> Seal:
    """Seal a sheet with the rows and files it rests on, after the last write that signs it.

    `certificate` is the fingerprint of a lost signing key that its PDF may still be signed with.
    """
    content: dict[str, Any] = {"number": sheet.number, "columns": column_digests(sheet)}
    if certificate:
        content["certificate"] = certificate
    if with_rows:
        content["rows"] = _rows_of_job(sheet.job_id)
        content["files"] = files_of_job(sheet.job_id)
    return _seal(sheet.job_id, SealKind.SHEET, str(sheet.revision), content, **more)


def seal_receipt(receipt: SheetReceipt, **more: Any) -> Seal:
    """Seal the customer's signature on a sheet."""
    sheet = receipt.sheet
    content = {"number": sheet.number, "columns": column_digests(receipt)}
    return _seal(sheet.job_id, SealKind.RECEIPT, str(sheet.revision), content, **more)


def seal_check_in(check_in: CheckIn, **more: Any) -> Seal:
    """Seal the signed condition on arrival with its marks and photos."""
    photos = check_in_photos(check_in)
    rows = {
        label: _digest_of_rows(label, rows_of(label, check_in.job_id)) for label in CHECK_IN_TABLES
    }
    content = {
        "rows": {**rows, "jobs.Photo": _digest_of_rows("jobs.Photo", photos)},
        "files": files_of("jobs.Photo", photos),
    }
    return _seal(check_in.job_id, SealKind.CHECK_IN, "", content, **more)


# Taking over what was written without a key, or with one that is lost


def is_unkeyed() -> bool:
    """The book has a record from before there was a key, and no key."""
    return (
        not key_path().exists()
        and JobEvent.objects.exists()
        and not RecordChain.objects.exists()
        and not Seal.objects.exists()
        and not ShopChain.objects.exists()
    )


@transaction.atomic
def seal_anew(*, new_certificate: str = "") -> int:
    """Make a key and seal everything as it stands; returns how many jobs.

    Every seal says that it is late: of the time before, it proves nothing. With the fingerprint of
    a `new_certificate`, since the signing key was lost, each seal keeps the certificate with which
    its PDF was signed.
    """
    from jobs.services import shop_chain

    secret, signatures_lost = new_key(), bool(new_certificate)
    own_certificates.key_anew(secret, new_certificate)
    shop_chain.begin(secret)
    closed = set(_closed_jobs().values_list("pk", flat=True))
    jobs = Job.objects.select_for_update(of=("self",)).order_by("pk")
    for job in jobs:
        _take_over(job, secret, with_rows=job.pk in closed, signatures_lost=signatures_lost)
    if not write_key(secret):
        raise FileExistsError(f"{key_path()} is there already: nothing was sealed anew.")
    return len(jobs)


def _closed_jobs() -> "models.QuerySet[Job]":
    table = Job._meta.db_table
    return Job.objects.extra(where=[frozen.CLOSED.replace("job.", f"{table}.")])


def _take_over(job: Job, secret: bytes, *, with_rows: bool, signatures_lost: bool) -> None:
    RecordChain.objects.filter(pk=job.pk).delete()
    late: dict[str, Any] = {"late": True, "secret": secret}
    events = list(job.events.order_by("pk"))
    content = {"taken_over": len(events), "digest": events_digest(events)}
    adopted = _seal(job.pk, SealKind.ADOPTED, "", content, **late)
    count, head = len(events), adopted.mac
    RecordChain.objects.create(
        job=job, count=count, head=head, mac=head_mac(secret, job.pk, count, head)
    )
    newest = job.sheets.order_by("-revision").first()
    for sheet in job.sheets.select_related("job"):
        seal_sheet(
            sheet,
            with_rows=with_rows and sheet == newest,
            certificate=own_certificates.signed_with(bytes(sheet.pdf)) if signatures_lost else "",
            **late,
        )
    for receipt in SheetReceipt.objects.filter(sheet__job=job).select_related("sheet__job"):
        seal_receipt(receipt, **late)
    check_in = CheckIn.objects.filter(job=job).exclude(signed_at=None).first()
    if check_in is not None:
        seal_check_in(check_in, **late)
