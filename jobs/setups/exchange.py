"""Setups in one signed file: made for another shop, and read from one with no trust at all.

The file is JSON: the setups, the schema they follow, the sending shop's certificate, and its
signature (RSA with PKCS 1 padding and SHA-256, RFC 8017 section 8.2) over the canonical form of
all the rest. The signature says which book it comes from and that it is as it was sent; it does
not say that the plan is safe, so everything that comes in is a draft.
"""

import base64
import binascii
import hashlib
import io
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa
from cryptography.x509.oid import NameOID
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext
from PIL import Image

from jobs.errors import Busy, Refused
from jobs.models import Photo, SavedSetup
from jobs.own_certificates import known, trusted
from jobs.photos.files import read_picture
from jobs.setups import checks as setup_checks, document as setup_document
from jobs.setups.document import SetupError
from jobs.setups.library import keep, note_event
from jobs.setups.schema import MOST_THUMBNAIL, schema
from jobs.sheet.document import canonical, sha256_of
from jobs.signing import shop_key
from shop.models import Shop, StaffMember, VehicleModel
from shop.services import events

FORMAT: Final = "loombook-setups"
FORMAT_VERSION: Final = 1
MOST_BYTES: Final = 1_500_000
MOST_DEPTH: Final = 24
MOST_SETUPS: Final = 20
MOST_NUMBER: Final = 1e9
MOST_SIDE: Final = 800
"""Pixels of the longer side of a thumbnail: a small file can hold a very large picture."""
KEY_BITS: Final = range(2048, 8193)
FIELDS: Final = frozenset(
    {"format", "format_version", "schema", "exported", "setups", "certificate", "signature"}
)
ENTRY_FIELDS: Final = frozenset({"name", "note", "version", "document"})
_COMPRESSED: Final = (b"\x1f\x8b", b"PK", b"BZh", b"\xfd7zXZ", b"\x28\xb5\x2f\xfd", b"7z\xbc\xaf")


@dataclass(frozen=True)
class Sender:
    """The shop whose key signed a file. `fingerprint` is the SHA-256 of its certificate."""

    name: str
    fingerprint: str
    own: bool

    @property
    def told_fingerprint(self) -> str:
        """In groups of four, for reading out on the phone."""
        return " ".join(re.findall("....", self.fingerprint))


@dataclass(frozen=True)
class Incoming:
    """One setup of a file, checked. `model` is the vehicle model in this book, if it is there."""

    name: str
    note: str
    version: int
    document: dict[str, Any]
    model: VehicleModel | None
    known: bool

    @property
    def car(self) -> str:
        """The model as the file names it."""
        car = self.document["vehicle"]
        years = f"{car['year_from']}–{car['year_to'] or ''}"
        return " ".join(filter(None, [car["make"], car["model"], years, car["trim"]]))


@dataclass(frozen=True)
class Letter:
    """A file that was read: who sent it, when, and what is in it."""

    sender: Sender
    shop: str
    at: str
    setups: tuple[Incoming, ...]


# Out ----------------------------------------------------------------------------------------


def _thumbnail(reference: Mapping[str, Any]) -> str:
    """The small picture of a photo in base64, where it is there and small enough."""
    if reference.get("thumbnail"):
        return str(reference["thumbnail"])
    photo = Photo.objects.kept().filter(pk=reference.get("photo") or 0).first()
    if photo is None:
        return ""
    try:
        with photo.thumbnail.open("rb") as file:
            text = base64.b64encode(file.read()).decode()
    except FileNotFoundError:
        return ""
    return text if len(text) <= MOST_THUMBNAIL else ""


def _for_others(document: Mapping[str, Any]) -> dict[str, Any]:
    """A document without what means something in this book alone."""
    shared = dict(setup_document.checked(document))
    shared["products"] = {
        key: {**one, "product_id": None} for key, one in shared["products"].items()
    }
    shared["photos"] = [
        {**one, "job": None, "photo": None, "thumbnail": _thumbnail(one)}
        for one in shared["photos"]
    ]
    return shared


def export_file(setups: Iterable[SavedSetup]) -> bytes:
    """The setups' current versions as one signed file. Raises Refused."""
    shop = Shop.objects.current()
    key = shop_key(shop.name)
    try:
        entries = [
            {
                "name": one.name,
                "note": one.note,
                "version": one.version,
                "document": _for_others(one.document),
            }
            for one in setups
        ]
    except SetupError as error:
        raise Refused(str(error)) from None
    envelope: dict[str, Any] = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "schema": schema(),
        "exported": {"shop": shop.name, "at": timezone.now().isoformat(timespec="seconds")},
        "setups": entries,
        "certificate": base64.b64encode(key.certificate.dump()).decode(),
    }
    signature = key.private.sign(canonical(envelope), padding.PKCS1v15(), hashes.SHA256())
    envelope["signature"] = base64.b64encode(signature).decode()
    data = json.dumps(envelope, ensure_ascii=False, indent=1).encode()
    if len(data) > MOST_BYTES:
        raise Refused(gettext("That is more than one file may hold: export fewer setups at once."))
    return data


# In -----------------------------------------------------------------------------------------


def _check_depth(data: bytes) -> None:
    """Refuse deep nesting before anything is parsed, in one pass over the bytes."""
    depth, inside, escaped = 0, False, False
    for byte in data:
        if inside:
            if escaped:
                escaped = False
            elif byte == 0x5C:
                escaped = True
            elif byte == 0x22:
                inside = False
        elif byte == 0x22:
            inside = True
        elif byte in (0x5B, 0x7B):
            depth += 1
            if depth > MOST_DEPTH:
                raise Refused(
                    gettext("The file is nested deeper than %(most)s levels: no setup is.")
                    % {"most": MOST_DEPTH}
                )
        elif byte in (0x5D, 0x7D):
            depth -= 1


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or abs(value) > MOST_NUMBER:
        raise Refused(
            gettext("The file holds the number %(text)s, which no setup can hold.")
            % {"text": text[:20]}
        )
    return value


def _whole(text: str) -> int:
    if len(text) > 12:
        raise Refused(
            gettext("The file holds the number %(text)s…, which no setup can hold.")
            % {"text": text[:20]}
        )
    _number(text)
    return int(text)


def _constant(text: str) -> None:
    raise Refused(gettext("The file holds %(text)s, which is no number.") % {"text": text})


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    by_name = dict(pairs)
    if len(by_name) != len(pairs):
        raise Refused(gettext("The file says one thing twice: it cannot be told which is meant."))
    return by_name


def _parse(data: bytes) -> dict[str, Any]:
    if len(data) > MOST_BYTES:
        raise Refused(f"The file is larger than {MOST_BYTES / 1e6:g} MB: no file of setups is.")
    if data.startswith(_COMPRESSED):
        raise Refused(
            gettext("The file is compressed: unpack it yourself, then choose the file inside.")
        )
    _check_depth(data)
    try:
        parsed = json.loads(
            data.decode("utf-8-sig"),
            parse_float=_number,
            parse_int=_whole,
            parse_constant=_constant,
            object_pairs_hook=_pairs,
        )
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise Refused(gettext("This is no file of setups: it cannot be read as JSON.")) from None
    if not isinstance(parsed, dict) or parsed.get("format") != FORMAT:
        raise Refused(gettext("This is no file of setups made by a Loombook."))
    if parsed.get("format_version") != FORMAT_VERSION:
        raise Refused(
            gettext("The file comes from another version of Loombook: bring both up to date.")
        )
    if unknown := parsed.keys() ^ FIELDS:
        raise Refused(
            gettext("The file has a field too many or too few: %(unknown)s.")
            % {"unknown": sorted(unknown)[0][:40]}
        )
    return parsed


def _binary(container: Mapping[str, Any], name: str, most: int) -> bytes:
    text = container[name]
    if not isinstance(text, str) or len(text) > most:
        raise Refused(gettext("The file's %(name)s cannot be read.") % {"name": name})
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise Refused(gettext("The file's %(name)s cannot be read.") % {"name": name}) from None


def _sender(container: dict[str, Any]) -> Sender:
    """Who signed the file. Raises Refused where the signature is not over just this content."""
    raw = _binary(container, "certificate", 8_000)
    signature = _binary(container, "signature", 2_000)
    try:
        certificate = x509.load_der_x509_certificate(raw)
        public = certificate.public_key()
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise Refused(gettext("The file's certificate cannot be read.")) from None
    if not isinstance(public, rsa.RSAPublicKey) or public.key_size not in KEY_BITS:
        raise Refused(gettext("The file is signed with a kind of key that is not accepted."))
    if public.public_numbers().e != 65537:
        raise Refused(gettext("The file is signed with a kind of key that is not accepted."))
    signed = {name: value for name, value in container.items() if name != "signature"}
    try:
        public.verify(signature, canonical(signed), padding.PKCS1v15(), hashes.SHA256())
    except InvalidSignature:
        raise Refused(
            gettext(
                "The signature does not fit the file: it was changed after it was "
                "signed. Ask the sender for it again."
            )
        ) from None
    names = certificate.subject.get_attributes_for_oid(NameOID.ORGANIZATION_NAME)
    fingerprint = hashlib.sha256(raw).hexdigest()
    shop_key(Shop.objects.current().name)
    own = any(row.fingerprint == fingerprint for row in trusted(known()))
    return Sender(str(names[0].value)[:80] if names else "no name", fingerprint, own)


def model_in_book(car: Mapping[str, Any]) -> VehicleModel | None:
    """The vehicle model of this book that a file means, however it is spelled."""
    rows = VehicleModel.objects.filter(
        make__iexact=car["make"],
        model__iexact=car["model"],
        year_from=car["year_from"],
        trim__iexact=car["trim"],
        audio_package__iexact=car["audio_package"],
    )
    return rows.first()


def _pictures(document: dict[str, Any]) -> None:
    """Make every thumbnail anew from its pixels. Raises SetupError for what is no picture."""
    kept = []
    for one in document["photos"]:
        blank = {**one, "job": None, "photo": None}
        if one["thumbnail"]:
            try:
                raw = base64.b64decode(one["thumbnail"], validate=True)
                with Image.open(io.BytesIO(raw), formats=("JPEG",)) as probe:
                    if max(probe.size) > MOST_SIDE:
                        raise SetupError("One of its photos is larger than a thumbnail.")
                picture = read_picture(io.BytesIO(raw), len(raw))
            except (SetupError, Busy):
                raise
            except (binascii.Error, OSError, ValueError, Refused):
                raise SetupError("One of its photos is no picture.") from None
            text = base64.b64encode(picture.thumbnail).decode()
            blank["thumbnail"] = text if len(text) <= MOST_THUMBNAIL else ""
        kept.append(blank)
    document["photos"] = kept


def _incoming(entry: Any, place: int) -> Incoming:
    if not isinstance(entry, dict) or entry.keys() != ENTRY_FIELDS:
        raise Refused(
            gettext("Setup %(place)s of the file is not one: it has other fields.")
            % {"place": place}
        )
    name, note, version = entry["name"], entry["note"], entry["version"]
    if not (isinstance(name, str) and 0 < len(name.strip()) <= 80):
        raise Refused(
            gettext("Setup %(place)s of the file has no name of up to 80 letters.")
            % {"place": place}
        )
    if not (isinstance(note, str) and len(note) <= 4000 and isinstance(version, int)):
        raise Refused(
            gettext("Setup %(place)s of the file has a note or version that cannot be read.")
            % {"place": place}
        )
    if not isinstance(entry["document"], dict):
        raise Refused(gettext("Setup %(place)s of the file holds no document.") % {"place": place})
    try:
        document = setup_document.checked(entry["document"])
        setup_checks.check_sense(document)
        _pictures(document)
    except SetupError as error:
        raise Refused(
            gettext("Setup %(place)s, “%(name)s”: %(error)s")
            % {"place": place, "name": name[:40], "error": error}
        ) from None
    for product in document["products"].values():
        product["product_id"] = None
    model = model_in_book(document["vehicle"])
    digest = sha256_of(document)
    known = SavedSetup.objects.filter(versions__document_sha256=digest).exists()
    return Incoming(name.strip(), note.strip(), version, document, model, known)


def read_file(data: bytes) -> Letter:
    """What a file holds, every part of it checked; nothing is written. Raises Refused."""
    parsed = _parse(data)
    try:
        setup_checks.check_text(parsed)
    except SetupError as error:
        raise Refused(str(error)) from None
    sender = _sender(parsed)
    exported, setups = parsed["exported"], parsed["setups"]
    if not isinstance(exported, dict) or not all(
        isinstance(exported.get(name), str) for name in ("shop", "at")
    ):
        raise Refused(gettext("The file does not say which shop made it, and when."))
    if (
        not isinstance(parsed["schema"], dict)
        or parsed["schema"].get("$schema") != (schema()["$schema"])
    ):
        raise Refused(gettext("The file does not carry the schema of its setups."))
    if not isinstance(setups, list) or not 0 < len(setups) <= MOST_SETUPS:
        raise Refused(gettext("A file holds 1 to %(most)s setups.") % {"most": MOST_SETUPS})
    incoming = tuple(_incoming(entry, place) for place, entry in enumerate(setups, 1))
    return Letter(sender, exported["shop"][:80], exported["at"][:40], incoming)


def _free_name(model: VehicleModel, name: str) -> str:
    taken = set(model.saved_setups.values_list("name", flat=True))
    if name not in taken:
        return name
    return next(
        candidate for n in range(2, 10_000) if (candidate := f"{name[:74]} ({n})") not in taken
    )


def _model_for(incoming: Incoming, actor: StaffMember) -> VehicleModel:
    if known := model_in_book(incoming.document["vehicle"]):
        return known
    car = incoming.document["vehicle"]
    model = VehicleModel(**car)
    try:
        model.full_clean()
    except ValidationError as error:
        raise Refused(
            gettext("The vehicle model cannot be added: %(messages)s")
            % {"messages": error.messages[0]}
        ) from None
    return events.save(model, actor)


@transaction.atomic
def import_file(data: bytes, chosen: Iterable[int], actor: StaffMember) -> list[SavedSetup]:
    """Take the chosen setups of a file in as drafts, all or none. Raises Refused.

    The file is read again from its bytes: what was shown is not trusted either.
    """
    if not actor.is_manager:
        raise Refused(gettext("Setups of other shops are taken in by a manager."))
    letter = read_file(data)
    wanted = set(chosen)
    imported = []
    for place, one in enumerate(letter.setups, 1):
        if place not in wanted:
            continue
        model = _model_for(one, actor)
        origin = {
            "shop": letter.sender.name,
            "fingerprint": letter.sender.fingerprint,
            "at": letter.at,
            "version": one.version,
        }
        setup = keep(
            model, _free_name(model, one.name), one.note, one.document, actor, origin=origin
        )
        note_event(setup, actor, "setup.imported", after=origin)
        imported.append(setup)
    if not imported:
        raise Refused(gettext("Choose at least one setup of the file."))
    return imported
