"""Which signing certificates are this book's: the newest row's signs, those before were exchanged.

The first is taken when the book first signs, or from its newest sheets where these were signed
before there was such a row. Each row is keyed with the key of the record, so that whoever can write
to the database alone makes no certificate the book's.
"""

import hmac
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from itertools import pairwise
from typing import Final

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import InstallSheet, Seal, SealKind, SigningCertificate
from jobs.record_key import another, key, key_id
from shop.lazy import Lazy

reader = Lazy("pyhanko.pdf_utils.reader")

SHEETS_ASKED: Final = 20
"""So many of the newest sheets say whose certificate a book from before has."""


def signed_with(pdf: bytes) -> str:
    """The fingerprint of the certificate in a signed PDF; empty where there is none."""
    try:
        certificate = reader.PdfFileReader(BytesIO(pdf)).embedded_signatures[0].signer_cert
    except Exception:  # a damaged file can fail anywhere in the reader
        return ""
    return str(certificate.sha256.hex())


def _mac(secret: bytes, row: SigningCertificate) -> str:
    at = row.at.astimezone(UTC).isoformat()
    told = ["signing certificate", row.number, row.fingerprint, row.distrusts, at, row.key_id]
    return hmac.new(secret, json.dumps(told).encode(), "sha256").hexdigest()


def _holds(secret: bytes, row: SigningCertificate) -> bool:
    return hmac.compare_digest(row.mac, _mac(secret, row))


def _rows(key_id: str) -> "QuerySet[SigningCertificate]":
    return SigningCertificate.objects.filter(key_id=key_id).order_by("number")


def known() -> list[SigningCertificate]:
    """The book's certificates, the one that signs last; none where nothing was signed yet, or only
    before there were such rows. Raises KeyLost."""
    secret = key()
    return [row for row in _rows(key_id(secret)) if _holds(secret, row)]


def trusted(rows: list[SigningCertificate]) -> list[SigningCertificate]:
    """Those of the book's certificates of which nobody else may have the key."""
    last = max((place for place, row in enumerate(rows) if row.distrusts), default=0)
    return rows[last:]


def exchanged() -> list[tuple[str, datetime]]:
    """The fingerprints of those that were exchanged and are still trusted, as they are compared,
    and until when each signed; the newest first. Raises KeyLost."""
    rows = trusted(known())
    told = [
        (bytes.fromhex(row.fingerprint).hex(" ").upper(), following.at)
        for row, following in pairwise(rows)
    ]
    return told[::-1]


def is_signing(fingerprint: str) -> bool:
    """Whether the certificate is the one that signs for this book; the first is taken. Raises
    KeyLost, also where the key of the record is another book's."""
    rows = known()
    if not rows:
        if not _may_be_first(fingerprint):
            return False
        add(1, fingerprint)
        rows = known()
    return bool(rows) and rows[-1].fingerprint == fingerprint


def _may_be_first(fingerprint: str) -> bool:
    from jobs.services.shop_chain import is_of_this_book

    others = SigningCertificate.objects.exclude(key_id=key_id(key()))
    if others.exists() or not is_of_this_book(key()):
        raise another()
    sheets = InstallSheet.objects.only("pdf", "job_id", "revision").order_by("-pk")[:SHEETS_ASKED]
    for place, sheet in enumerate(sheets):
        if not place and _is_of_lost_key(sheet):
            return True
        if signed_with(bytes(sheet.pdf)) == fingerprint:
            return True
    return not sheets


def _is_of_lost_key(sheet: InstallSheet) -> bool:
    """Whether it was sealed anew when its signing key was gone: it tells nothing of today's."""
    seals = Seal.objects.filter(job_id=sheet.job_id, kind=SealKind.SHEET, about=str(sheet.revision))
    seal = seals.order_by("pk").last()
    return seal is not None and bool(seal.content.get("certificate"))


def add(
    number: int, fingerprint: str, *, distrusts: bool = False, secret: bytes | None = None
) -> bool:
    """Put a certificate behind the others; False where another process put one in its place."""
    secret = secret or key()
    row = SigningCertificate(
        number=number,
        fingerprint=fingerprint,
        distrusts=distrusts,
        at=timezone.now(),
        key_id=key_id(secret),
    )
    row.mac = _mac(secret, row)
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        return False
    return True


def add_next(before: str, fingerprint: str, *, distrusts: bool) -> None:
    """Let a certificate sign in the place of `before` from now on. Raises Refused where another
    machine has just exchanged it."""
    last = known()[-1]
    if last.fingerprint != before or not add(last.number + 1, fingerprint, distrusts=distrusts):
        raise Refused(gettext("Another machine has exchanged the key: copy it from there."))


def key_anew(secret: bytes, fingerprint: str = "") -> None:
    """Key the rows that stand with another key of the record, and put one behind them where it
    signs from now on: of the time before they prove as little as the seals do."""
    last = SigningCertificate.objects.order_by("-pk").first()
    told = [(row.fingerprint, row.distrusts) for row in _rows(last.key_id if last else "")]
    if fingerprint:
        told.append((fingerprint, False))
    for number, (one, distrusts) in enumerate(told, 1):
        add(number, one, distrusts=distrusts, secret=secret)


def check() -> Iterator[str]:
    """What is wrong with the rows, one sentence each. Raises KeyLost."""
    secret = key()
    for row in _rows(key_id(secret)):
        if not _holds(secret, row):
            yield f"Signing certificate {row.number} was put in or changed by hand."
