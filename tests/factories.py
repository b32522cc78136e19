"""Plain factories with overridable defaults: an invented shop, its people, cars and jobs.

`make_staff(Role.MANAGER)`, `make_product(kind=...)`, `make_job(stage=..., parts=[...])`.
"""

import io
import uuid
from datetime import datetime, timedelta
from typing import Any

import factory
from django.test import override_settings
from django.utils import timezone
from PIL import Image

from jobs.lifecycle import Stage
from jobs.models import CheckIn, Hook, Job, News, Photo
from jobs.services import booking, hooks, parts, photos
from shop.models import (
    ApiToken,
    Bay,
    Branch,
    Customer,
    Product,
    ProductKind,
    ProductRating,
    Shop,
    StaffMember,
    Vehicle,
    VehicleModel,
)
from shop.models.people import digits_of
from shop.models.vehicles import plain_plate
from shop.roles import Role
from shop.scopes import Scope
from shop.services import api_tokens

PASSWORD = "lantern-orchard-9"


class StaffFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = StaffMember
        skip_postgeneration_save = True

    username = factory.Sequence(lambda n: f"staff{n}")
    name = factory.Sequence(lambda n: f"Staff Member {n}")
    email = factory.LazyAttribute(lambda staff: f"{staff.username}@example.org")

    @factory.post_generation
    def password(self, create: bool, extracted: str | None, **kwargs: Any) -> None:
        self.set_password(extracted or PASSWORD)
        if create:
            self.save()


class CustomerFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Customer

    name = factory.Sequence(lambda n: f"Ines Halloran {n}")
    phone = factory.Sequence(lambda n: f"556 {n:04d}")
    phone_digits = factory.LazyAttribute(lambda customer: digits_of(customer.phone))
    email = factory.Sequence(lambda n: f"ines{n}@example.org")


class VehicleModelFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = VehicleModel

    make = "Corvane"
    model = factory.Sequence(lambda n: f"Lyra {n}")
    year_from = 2018
    year_to = 2024
    trim = "Touring"
    audio_package = "Ten speakers, factory amplifier"
    factory_amplifier = True


class VehicleFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Vehicle

    owner = factory.SubFactory(CustomerFactory)
    vehicle_model = factory.SubFactory(VehicleModelFactory)
    plate = factory.Sequence(lambda n: f"LK {n:04d}")
    plate_plain = factory.LazyAttribute(lambda vehicle: plain_plate(vehicle.plate))
    vin = factory.Sequence(lambda n: f"XCV000000LA{n:06d}")
    vin_reversed = factory.LazyAttribute(lambda vehicle: vehicle.vin[::-1])
    year = 2021
    colour = "Slate blue"


class BayFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Bay

    name = factory.Sequence(lambda n: f"Bay {n}")


class ProductFactory(factory.django.DjangoModelFactory):
    """A six-channel amplifier unless told otherwise."""

    class Meta:
        model = Product

    kind = ProductKind.AMPLIFIER
    maker = "Tarnholt"
    name = factory.Sequence(lambda n: f"Six {n}")
    part_number = factory.Sequence(lambda n: f"TH-{n:04d}")
    amplifier_channels = factory.LazyAttribute(
        lambda product: 6 if product.kind == ProductKind.AMPLIFIER else 0
    )
    efficiency = 0.8
    min_load_ohm = 2.0
    min_supply_v = 9.5


def make_shop(**overrides: Any) -> Shop:
    """The one shop row, with the given fields changed."""
    shop = Shop.objects.current()
    for name, value in overrides.items():
        setattr(shop, name, value)
    shop.save()
    return shop


def make_staff(*roles: Role, **overrides: Any) -> StaffMember:
    """A staff member with these roles; the password is PASSWORD unless given."""
    flags = {
        "is_front_desk": Role.FRONT_DESK in roles,
        "is_technician": Role.TECHNICIAN in roles,
        "is_manager": Role.MANAGER in roles,
    }
    return StaffFactory(**{**flags, **overrides})


def make_product(**overrides: Any) -> Product:
    """A product; `ratings` may be given as (load_ohm, power_w, bridged) triples."""
    ratings = overrides.pop("ratings", ())
    product = ProductFactory(**overrides)
    for load_ohm, power_w, bridged in ratings:
        ProductRating.objects.create(
            product=product, load_ohm=load_ohm, power_w=power_w, bridged=bridged
        )
    return product


def make_job(
    stage: str = Stage.BOOKED,
    *,
    parts_wanted: tuple[Product, ...] | list[Product] = (),
    actor: StaffMember | None = None,
    starts_at: datetime | None = None,
    hours: float = 4,
    **overrides: Any,
) -> Job:
    """A job as booking makes it, then put at `stage` without walking the moves.

    Each call without a bay gets a bay of its own, so that slots do not clash.
    """
    branch = Branch.objects.first_one()
    actor = actor or make_staff(Role.FRONT_DESK)
    starts_at = starts_at or timezone.now().replace(minute=0, second=0, microsecond=0)
    ends_at = overrides.pop("ends_at", starts_at + timedelta(hours=hours))
    vehicle = overrides.pop("vehicle", None) or VehicleFactory()
    values: dict[str, Any] = {
        "number": branch.next_job_number,
        "vehicle": vehicle,
        "customer": vehicle.owner,
        "wants": "Clearer front sound, keep every chime",
        "bay": None,
        "starts_at": starts_at,
        "ends_at": ends_at,
        "promised_at": ends_at + timedelta(hours=1),
        "booked_by": actor,
    }
    values.update(overrides)
    values["bay"] = values["bay"] or BayFactory()
    branch.next_job_number = values["number"] + 1
    branch.save(update_fields=["next_job_number"])
    job = Job.objects.create(**values)
    booking.furnish(job, actor)
    for product in parts_wanted:
        parts.put_in(job, product, 1, actor)
    if stage not in {Stage.BOOKED, Stage.CANCELLED}:
        CheckIn.objects.create(
            job=job,
            odometer=48_210,
            energy_percent=60,
            signed_name=job.customer.name,
            signed_at=timezone.now(),
            taken_by=actor,
        )
    # Last: the rows of a signed job take no entries.
    job.stage = stage
    job.save(update_fields=["stage"])
    return job


def make_photo(
    job: Job,
    actor: StaffMember,
    *,
    subject: str = "job",
    data: bytes | None = None,
    key: str | None = None,
    **more: Any,
) -> Photo:
    """A photo as the server keeps it; a small plain picture unless `data` is given."""
    if data is None:
        out = io.BytesIO()
        Image.new("RGB", (120, 80), "teal").save(out, "JPEG")
        data = out.getvalue()
    return photos.add_photo(
        job.number,
        io.BytesIO(data),
        len(data),
        subject=subject,
        key=key or str(uuid.uuid4()),
        actor=actor,
        **more,
    )


def make_token(
    by: StaffMember, *scopes: Scope, days: float = 30, name: str = "Bookkeeping"
) -> tuple[ApiToken, str]:
    """A token of the API and its secret; with every scope where none is named."""
    expires_at = timezone.now() + timedelta(days=days)
    return api_tokens.make(name, scopes or Scope, expires_at, by)


def make_hook(
    by: StaffMember, *news: News, address: str = "http://127.0.0.1:9/told", name: str = "Hall"
) -> tuple[Hook, str]:
    """An address that is told and its secret; told everything where nothing is named."""
    with override_settings(HOOKS_INSIDE=True):
        return hooks.make(name, address, news or News, by)
