"""The shop's digital signature on a PDF, and its check.

The key and a self-signed certificate are made once in the data folder and kept by every backup.
The certificate proves that a sheet came from this shop's book and was not altered; it does not
prove to a stranger who the shop is, as one from a public authority would. `jobs.own_certificates`
says which certificate is this book's: with another, nothing is signed.
"""

import asyncio
import fcntl
import os
from collections.abc import Collection, Coroutine
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any, Final

from asn1crypto import x509 as asn1_x509
from asn1crypto.core import Asn1Value
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID
from django.conf import settings
from django.db import transaction

from jobs import own_certificates
from jobs.models import InstallSheet, SigningCertificate
from jobs.record_key import another, lost, write_file
from shop.lazy import Lazy
from shop.models import Shop
from shop.services import events

reader, writer = Lazy("pyhanko.pdf_utils.reader"), Lazy("pyhanko.pdf_utils.incremental_writer")
fields, signers, shop_signer = (
    Lazy("pyhanko.sign.fields"),
    Lazy("pyhanko.sign.signers"),
    Lazy("jobs.signer"),
)
validation, trust = Lazy("pyhanko.sign.validation"), Lazy("pyhanko_certvalidator")

KEY_BITS: Final = 3072
VALID_FOR: Final = timedelta(days=365 * 30)
FIELD: Final = "ShopSignature"
WHAT: Final = "The shop’s signing key"
EXCHANGED: Final = "signing_key.exchanged"


@dataclass(frozen=True)
class ShopKey:
    """The private key and certificate with which this shop signs."""

    private: rsa.RSAPrivateKey
    certificate: asn1_x509.Certificate


@dataclass(frozen=True)
class SignatureCheck:
    """What a check of a signed PDF found. `by` is the name in the certificate."""

    valid: bool
    by: str = ""
    fingerprint: str = ""


def key_path() -> Path:
    """Where the shop's key and certificate are kept."""
    return Path(settings.DATA_DIR) / "signing.pem"


def _new_pem(shop_name: str) -> bytes:
    private = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, shop_name[:64]),
            x509.NameAttribute(NameOID.COMMON_NAME, f"{shop_name[:48]} job book"),
        ]
    )
    usage = dict.fromkeys(
        (
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "key_cert_sign",
            "crl_sign",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + VALID_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(digital_signature=True, content_commitment=True, **usage), critical=True
        )
        .sign(private, hashes.SHA256())
    )
    return private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    ) + certificate.public_bytes(serialization.Encoding.PEM)


def shop_key(shop_name: str) -> ShopKey:
    """The shop's key; `shop_name` goes into the certificate when there is none yet.

    A book with signed sheets never gets a new key in silence: raises KeyLost, also where the key
    here is not the one that signs for this book.
    """
    if not key_path().exists() and not has_signed():
        write_file(key_path(), _new_pem(shop_name))
    key = key_here()
    if not _signs(key):
        # What an exchange that was cut off has left beside it.
        if _coming_path().exists() and _signs(_read(_coming_path())):
            _take_coming()
        key = key_here()
        if not _signs(key):
            raise another(key_path(), WHAT)
    return key


def has_signed() -> bool:
    """Whether anything was ever signed for this book."""
    return InstallSheet.objects.exists() or SigningCertificate.objects.exists()


def _signs(key: ShopKey) -> bool:
    return own_certificates.is_signing(key.certificate.sha256.hex())


def key_here() -> ShopKey:
    """The key in the data folder, whosever it is. Raises KeyLost."""
    if not key_path().exists():
        raise lost(key_path(), WHAT)
    return _read(key_path())


def new_shop_key(shop_name: str) -> ShopKey:
    """Make the key that nobody has any more; only what says so in the record may call this."""
    write_file(key_path(), _new_pem(shop_name))
    return key_here()


def _coming_path() -> Path:
    return key_path().with_name(f"{key_path().name}.coming")


def exchange(shop_name: str, *, distrusts: bool = False) -> ShopKey:
    """Sign with a new key from now on; what was signed before still holds. With `distrusts` others
    may have the former key: then it vouches for nothing but what the book itself has kept.

    The new key is on the disk before the book names it, and put in its place after that: cut off
    between the two, whatever signs next puts it there. Raises Refused.
    """
    folder = os.open(key_path().parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        before = shop_key(shop_name).certificate.sha256.hex()
        _coming_path().unlink(missing_ok=True)
        write_file(_coming_path(), _new_pem(shop_name))
        now = _read(_coming_path()).certificate.sha256.hex()
        with transaction.atomic():
            own_certificates.add_next(before, now, distrusts=distrusts)
            told = {"fingerprint": now, **({"others_have_it": True} if distrusts else {})}
            events.log(None, EXCHANGED, Shop.objects.current(), after=told)
        _take_coming()
        os.fsync(folder)
    finally:
        os.close(folder)
    return shop_key(shop_name)


def _take_coming() -> None:
    """Put it in its place, unless another process has just done so."""
    with suppress(FileNotFoundError):
        os.replace(_coming_path(), key_path())


def _read(path: Path) -> ShopKey:
    return _load(path, path.stat().st_mtime_ns)


@lru_cache(maxsize=2)
def _load(path: Path, _changed: int) -> ShopKey:
    pem = path.read_bytes()
    try:
        private = serialization.load_pem_private_key(pem, password=None)
        certificate = x509.load_pem_x509_certificate(pem[pem.index(b"-----BEGIN CERTIFICATE") :])
    except ValueError:
        raise lost(path, WHAT) from None
    assert isinstance(private, rsa.RSAPrivateKey)
    return ShopKey(
        private,
        asn1_x509.Certificate.load(certificate.public_bytes(serialization.Encoding.DER)),
    )


def _run(coroutine: Coroutine[Any, Any, Any]) -> Any:
    """Run to its end in a thread of its own: the caller may stand inside an event loop."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        return pool.submit(asyncio.run, coroutine).result()


def sign(pdf: bytes, *, shop_name: str, reason: str) -> bytes:
    """The PDF with the shop's invisible signature, which allows no change afterwards."""
    metadata = signers.PdfSignatureMetadata(
        field_name=FIELD,
        reason=reason,
        name=shop_name,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    out = _run(
        signers.async_sign_pdf(
            writer.IncrementalPdfFileWriter(BytesIO(pdf)),
            metadata,
            signer=shop_signer.ShopSigner(shop_key(shop_name)),
            output=BytesIO(),
        )
    )
    signed: bytes = out.getvalue()
    return signed


def check(pdf: bytes, shop_name: str, *, former: Collection[str] = ()) -> SignatureCheck:
    """Whether the PDF carries this shop's signature over its whole content, unaltered.

    `former` are the fingerprints of certificates that were this shop's and were exchanged, or
    whose key was lost. Raises KeyLost.
    """
    own = shop_key(shop_name).certificate
    try:
        signature = reader.PdfFileReader(BytesIO(pdf)).embedded_signatures[0]
        before = signature.signer_cert
        trusted = before if before.sha256.hex() in former else own
        status: Any = _run(
            validation.async_validate_pdf_signature(
                signature, trust.ValidationContext(trust_roots=[trusted])
            )
        )
    except Exception:  # a damaged file can fail anywhere in the reader
        return SignatureCheck(False)
    return SignatureCheck(
        bool(status.bottom_line)
        and status.coverage == validation.status.SignatureCoverageLevel.ENTIRE_FILE,
        status.signing_cert.subject.native.get("organization_name", ""),
        status.signing_cert.sha256.hex(),
    )


def own_certificate() -> asn1_x509.Certificate | None:
    """The certificate with which this shop signs; None where nothing was signed yet. Raises
    KeyLost."""
    return shop_key("").certificate if has_signed() else None


def is_written_as_signed(pdf: bytes) -> bool:
    """Whether the signature itself stands in the file as it was written.

    A signature covers everything but itself: its hexadecimal digits could be written otherwise,
    and the zeros that fill its place changed, without a validator minding. To be asked of a file
    whose signature holds.
    """
    signature = reader.PdfFileReader(BytesIO(pdf)).embedded_signatures[0]
    start, length, rest, _ = (int(one) for one in signature.byte_range)
    written = pdf[start + length : rest]
    value = signature.pkcs7_content
    der = Asn1Value.load(value).dump()
    place = len(written) - 2
    wanted: bytes = b"<" + der.hex().upper().encode().ljust(place, b"0") + b">"
    return bytes(written) == wanted
