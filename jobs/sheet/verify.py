"""Whether a PDF that somebody holds is a sheet of this shop, unchanged, and the newest.

The answer goes to strangers: it says number, revision and moments, and nothing of people, cars or
of what is wrong inside the book.
"""

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from io import BytesIO
from typing import Final

import msgspec
from django.db.models import QuerySet
from django.utils.translation import gettext, gettext_noop as kept

from jobs import own_certificates, signing
from jobs.models import InstallSheet
from jobs.sheet import document as sheet_document
from jobs.sheet.record_check import check_sheet
from jobs.sheet.render import CUSTOMER_TITLE, DOCUMENT_NAME, WIRING_TITLE
from shop.languages import NAMES, speaking
from shop.lazy import Lazy
from shop.models import Shop

reader = Lazy("pyhanko.pdf_utils.reader")

NOT_OURS: Final = "not_ours"
CHANGED: Final = "changed"
FORMER: Final = "former"
UNKNOWN: Final = "unknown"
IN_DOUBT: Final = "in_doubt"
REPLACED: Final = "replaced"
NEWEST: Final = "newest"

SHEET: Final = "sheet"
CUSTOMER: Final = "customer"
WIRING: Final = "wiring"
"""Which of the three papers a file is."""

_SAID: Final = {
    NOT_OURS: kept(
        "This file does not carry this shop’s signature: it is not a sheet of ours, or it was "
        "damaged. Ask for the file again as it was first sent."
    ),
    CHANGED: kept(
        "This file was signed by this shop and changed afterwards. Do not rely on it: ask the shop "
        "for the sheet as it was signed."
    ),
    FORMER: kept(
        "This file was signed with a key that this shop has replaced, since others may have it: "
        "do not rely on it. Ask the shop for the file as it is signed now."
    ),
    UNKNOWN: kept(
        "This file carries this shop’s signature, and the book has no sheet that belongs to it. "
        "Ask the shop before you rely on it."
    ),
    IN_DOUBT: kept(
        "This is the file the shop gave out, but its own record of %(number)s no longer agrees "
        "with what was signed. Ask the shop before you rely on it."
    ),
}
_OF_PAPER: Final = {
    REPLACED: {
        SHEET: kept(
            "This is sheet %(number)s, unchanged. It was corrected since: %(later)s stands in its "
            "place."
        ),
        CUSTOMER: kept(
            "This is the customer’s page of sheet %(number)s, unchanged. It was corrected since: "
            "%(later)s stands in its place."
        ),
        WIRING: kept(
            "This is the wiring sheet of sheet %(number)s, unchanged. It was corrected since: "
            "%(later)s stands in its place."
        ),
    },
    NEWEST: {
        SHEET: kept("This is sheet %(number)s, unchanged, and the newest of its job."),
        CUSTOMER: kept(
            "This is the customer’s page of sheet %(number)s, unchanged, and the newest of its job."
        ),
        WIRING: kept(
            "This is the wiring sheet of sheet %(number)s, unchanged, and the newest of its job."
        ),
    },
}


@dataclass(frozen=True)
class Answer:
    """What was found of a file: one of the kinds above, and the sheet it belongs to."""

    kind: str
    number: str = ""
    signed_at: datetime | None = None
    later: str = ""
    paper: str = SHEET

    @property
    def holds(self) -> bool:
        """It can be relied on as the newest word of the shop."""
        return self.kind == NEWEST

    @property
    def tone(self) -> str:
        """How it is shown: "done", "caution" where a later sheet stands in its place, "stop"."""
        return "done" if self.holds else "caution" if self.later else "stop"

    @property
    def said(self) -> str:
        """The answer in a sentence or two."""
        said = gettext(_SAID.get(self.kind) or _OF_PAPER[self.kind][self.paper])
        return said % {"number": self.number, "later": self.later}


def verify(pdf: bytes) -> Answer:
    """Compare a PDF with the book. Raises KeyLost where the shop's own keys are gone.

    The file of a sheet or receipt is known byte for byte. The customer's page and the wiring sheet
    are drawn when they are asked for; they are known by the shop's signature and by the record
    that they carry.
    """
    given = in_the_book(hashlib.sha256(pdf).hexdigest())
    if given is not None:
        return _of_book(given)
    if signing.own_certificate() is None:
        return Answer(NOT_OURS)
    rows = own_certificates.known()
    former = {row.fingerprint for row in own_certificates.trusted(rows)}
    given_with = own_certificates.signed_with(pdf)
    if given_with in {row.fingerprint for row in rows} - former:
        return Answer(FORMER)
    signature = signing.check(pdf, Shop.objects.current().name, former=former)
    if not signature.valid or not signing.is_written_as_signed(pdf):
        return Answer(CHANGED if given_with in former else NOT_OURS)
    row = _sheets().filter(document_sha256=_record_sha256(pdf) or "none").first()
    return Answer(UNKNOWN) if row is None else replace(_of_book(row), paper=_paper(pdf))


def in_the_book(digest: str) -> InstallSheet | None:
    """The sheet of which a file with this SHA-256 is the signed paper, or its receipt."""
    own_file = _sheets().filter(pdf_sha256=digest).first()
    return own_file or _sheets().filter(receipt__pdf_sha256=digest).first()


def _sheets() -> QuerySet[InstallSheet]:
    return InstallSheet.objects.select_related("job", "receipt")


def _paper(pdf: bytes) -> str:
    """Which of the papers of a sheet a file is, by the title that was signed with it."""
    title = str(reader.PdfFileReader(BytesIO(pdf)).trailer_view["/Info"]["/Title"])
    if title.startswith(_titles(CUSTOMER_TITLE)):
        return CUSTOMER
    return WIRING if title.startswith(_titles(WIRING_TITLE)) else SHEET


def _titles(english: str) -> tuple[str, ...]:
    """How a paper's title begins, in each language."""
    titles = []
    for code in NAMES:
        with speaking(code):
            titles.append(gettext(english))
    return tuple(titles)


def _of_book(sheet: InstallSheet) -> Answer:
    if not check_sheet(sheet).all:
        return Answer(IN_DOUBT, sheet.number, sheet.signed_at)
    later = sheet.job.sheets.defer("pdf", "document").order_by("-revision").first()
    assert later is not None
    if later.revision != sheet.revision:
        return Answer(REPLACED, sheet.number, sheet.signed_at, later.number)
    return Answer(NEWEST, sheet.number, sheet.signed_at)


def _record_sha256(pdf: bytes) -> str:
    """The digest of the record that a file carries; empty where it carries none."""
    names = iter(reader.PdfFileReader(BytesIO(pdf)).root["/Names"]["/EmbeddedFiles"]["/Names"])
    for name, spec in zip(names, names, strict=False):
        file = spec.get_object()
        if DOCUMENT_NAME in (str(name), str(file.get("/UF", "")), str(file.get("/F", ""))):
            data = bytes(file["/EF"]["/F"].data)
            return sheet_document.sha256_of(msgspec.json.decode(data))
    return ""
