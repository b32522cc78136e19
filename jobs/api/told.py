"""Rows as the API tells them."""

from typing import Any, Final

from django.utils import timezone

from jobs.models import InstallSheet, Job, SavedSetup
from shop.catalogue.columns import counted_for
from shop.models import Product

_BESIDE: Final = frozenset({"id", "kind", "maker", "name", "part_number", "price", "discontinued"})
_UNTOLD: Final = frozenset({"cost", "tax_rate", "note"})
"""What the shop pays, its tax, and notes of its own are no part of the catalogue outside."""


def job(row: Job, *, with_customer: bool) -> dict[str, Any]:
    """One job; whose it is only where the token may know it."""
    car: dict[str, Any] = {"model": str(row.vehicle.vehicle_model)}
    told: dict[str, Any] = {
        "number": row.number,
        "stage": row.stage,
        "stage_since": _moment(row.stage_since),
        "correction": row.correction,
        "bay": {"id": row.bay_id, "name": row.bay.name},
        "starts_at": _moment(row.starts_at),
        "ends_at": _moment(row.ends_at),
        "promised_at": _moment(row.promised_at),
        "technician": str(row.technician) if row.technician else None,
        "comeback_of": row.comeback_of.number if row.comeback_of else None,
        "car": car,
    }
    if with_customer:
        customer = row.customer
        car |= {"id": row.vehicle_id, "plate": row.vehicle.plate, "vin": row.vehicle.vin}
        told["customer"] = {
            "id": customer.pk,
            "name": customer.name,
            "phone": customer.phone,
            "email": customer.email,
        }
        told["wants"] = row.wants
    return told


def _moment(at: Any) -> Any:
    return timezone.localtime(at).replace(microsecond=0)


def setup(row: SavedSetup) -> dict[str, Any]:
    """One saved setup, without what it holds."""
    return {
        "id": row.pk,
        "name": row.name,
        "note": row.note,
        "state": row.state,
        "version": row.version,
        "vehicle_model": str(row.vehicle_model),
        "products": row.product_names,
        "times_used": row.times_used,
    }


def sheet(row: InstallSheet) -> dict[str, Any]:
    """One signed sheet, without what it holds."""
    return {
        "number": row.number,
        "job": row.job.number,
        "revision": row.revision,
        "signed_at": _moment(row.signed_at),
        "signed_by": str(row.signed_by),
        "corrects": row.corrects.number if row.corrects else None,
        "document_sha256": row.document_sha256,
        "pdf_sha256": row.pdf_sha256,
    }


def product(row: Product) -> dict[str, Any]:
    """One product: the figures that count for its kind and are given."""
    names = sorted(counted_for(row.kind) - _BESIDE - _UNTOLD)
    figures = {name: getattr(row, name) for name in names}
    return {
        "id": row.pk,
        "kind": row.kind,
        "maker": row.maker,
        "name": row.name,
        "part_number": row.part_number,
        "price": None if row.price is None else str(row.price),
        "discontinued": row.discontinued,
        "figures": {name: told for name, told in figures.items() if told not in (None, "")},
        "ratings": [
            {"load_ohm": one.load_ohm, "power_w": one.power_w, "bridged": one.bridged}
            for one in row.ratings.all()
        ],
    }
