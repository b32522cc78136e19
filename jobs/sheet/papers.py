"""The papers of a signed sheet: what each is called, and its file."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

from jobs.models import InstallSheet, SheetReceipt
from jobs.sheet import document, render


class Paper(NamedTuple):
    """What a paper is called, what its file's name ends with, and how it is made."""

    label: str
    ending: str
    pdf: Callable[[InstallSheet], bytes]

    def file_name(self, sheet: InstallSheet) -> str:
        return f"{sheet.number}{self.ending}.pdf"


def receipt_of(sheet: InstallSheet) -> SheetReceipt | None:
    """The customer's signature of a sheet, None before hand-over."""
    return getattr(sheet, "receipt", None)


def receipt_values(sheet: InstallSheet) -> dict[str, Any] | None:
    """The receipt of a sheet as its papers show it, None before the customer has signed."""
    row = receipt_of(sheet)
    if row is None:
        return None
    return document.receipt_of(row.signed_name, row.signature, row.signed_at, row.handed_over_by)


def _install(sheet: InstallSheet) -> bytes:
    return bytes((receipt_of(sheet) or sheet).pdf)


def _customer(sheet: InstallSheet) -> bytes:
    return render.customer_pdf(sheet.document, receipt_values(sheet))


def _wiring(sheet: InstallSheet) -> bytes:
    return render.wiring_pdf(sheet.document)


SHEET_PAPERS: Final = {
    "customer": Paper("Customer’s page", "-customer", _customer),
    "install": Paper("Install sheet", "", _install),
    "wiring": Paper("Wiring sheet", "-wiring", _wiring),
}
"""The papers by name. The install sheet is kept as it was signed; the others are drawn from the
frozen record and signed with the shop's key, so making them raises KeyLost without that key."""
