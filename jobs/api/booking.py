"""Booking a job for a neighbouring program: what it sends goes through the desk's own form."""

from typing import Any

from django.http import QueryDict

from jobs.api.asked import Problem
from jobs.api.shapes import BookIn, NewCar, NewCustomer
from jobs.forms.booking import CHOSEN, NEW, Draft
from jobs.models import Job
from jobs.services.booking import book
from shop.models import Customer, Product, StaffMember, Vehicle, VehicleModel
from shop.typed import as_typed

_YES = {True: "on", False: ""}


def booked(given: BookIn, actor: StaffMember) -> Job:
    """The job that is booked. Raises Problem for what the form refuses, and what `book` raises."""
    draft = Draft(_as_posted(given))
    if not draft.is_valid():
        raise Problem(
            422, "Put right what is named in errors, then send it again.", _errors_of(draft)
        )
    return book(draft.booking(), actor, given.confirmed)


def _as_posted(given: BookIn) -> QueryDict:
    posted = QueryDict(mutable=True)
    posted.update(_customer(given.customer) | _car(given.car))
    for name in ("starts_at", "ends_at", "promised_at"):
        day, _, time = as_typed(getattr(given, name)).partition("T")
        posted[f"{name}_0"], posted[f"{name}_1"] = day, time
    posted["wants"], posted["bay"] = given.wants, str(given.bay)
    posted["technician"] = str(given.technician or "")
    known = Product.objects.in_bulk([part.product for part in given.parts])
    for place, part in enumerate(given.parts):
        if part.product not in known:
            where = f"parts.{place}.product"
            raise Problem(
                422, "Use a product of the catalogue.", [{"where": where, "says": "Not there."}]
            )
        posted.appendlist("part_product", str(part.product))
        posted.appendlist("part_quantity", str(part.quantity))
    return posted


def _customer(given: int | NewCustomer) -> dict[str, str]:
    if isinstance(given, int):
        if not Customer.objects.filter(pk=given).exists():
            raise Problem(422, "Use a customer of the book, or send a new one: name and phone.")
        return {"customer": str(given), "customer_mode": CHOSEN}
    return {
        "customer_mode": NEW,
        "customer-name": given.name,
        "customer-phone": given.phone,
        "customer-email": given.email,
        "customer-known_confirmed": _YES[given.another],
    }


def _car(given: int | NewCar) -> dict[str, str]:
    if isinstance(given, int):
        if not Vehicle.objects.filter(pk=given).exists():
            raise Problem(422, "Use a car of the book, or send a new one: model, plate or VIN.")
        return {"vehicle": str(given), "vehicle_mode": CHOSEN}
    posted = {
        "vehicle_mode": NEW,
        "vehicle-plate": given.plate,
        "vehicle-vin": given.vin,
        "vehicle-year": str(given.year),
        "vehicle-known_confirmed": _YES[given.another],
        "vehicle-vin_confirmed": _YES[given.vin_confirmed],
    }
    wanted = given.model
    known = VehicleModel.objects.filter(
        make__iexact=wanted.make, model__iexact=wanted.model, year_from=wanted.year_from
    ).first()
    if known is not None:
        return posted | {"vehicle_model": str(known.pk), "model_mode": CHOSEN}
    fresh = VehicleModel()
    return posted | {
        "model_mode": NEW,
        "model-make": wanted.make,
        "model-model": wanted.model,
        "model-year_from": str(wanted.year_from),
        "model-body_shape": fresh.body_shape,
        "model-powertrain": fresh.powertrain,
    }


def _errors_of(draft: Draft) -> list[dict[str, str]]:
    forms: dict[str, Any] = {"": draft.slot_form}
    if draft.customer_mode == NEW:
        forms["customer."] = draft.customer_form
    if draft.vehicle_mode == NEW:
        forms["car."] = draft.vehicle_form
        if draft.model_mode == NEW:
            forms["car.model."] = draft.model_form
    errors = [
        {"where": f"{start}{name}".removesuffix("__all__"), "says": str(error)}
        for start, form in forms.items()
        for name, said in form.errors.items()
        for error in said
    ]
    return [*errors, *({"where": "", "says": said} for said in draft.said)]
