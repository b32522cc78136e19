"""The document of a saved setup: one typed document with a published JSON Schema.

The same stands in the database and in a file between shops. The published schema is
`jobs/setups/schemas/setup-4.json` (draft 2020-12). Quantities are SI with the unit in the name.
"""

from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta

from wiring.plan import Id, Plan

SETUP_VERSION: Final = 4

Short = Annotated[str, Meta(max_length=120)]
Words = Annotated[str, Meta(max_length=1000)]
Code = Annotated[str, Meta(max_length=4)]
Year = Annotated[int, Meta(ge=1900, le=2100)]
MOST_PHOTOS: Final = 24
MOST_THUMBNAIL: Final = 40_000
"""Characters of a thumbnail in base64."""


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of every part of a setup: immutable, strict about unknown fields."""


class Source(Part, frozen=True):
    """The signed sheet a setup comes from; `shop` names the shop that signed it."""

    sheet: Short
    document_sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
    signed_at: Short
    signed_by: Short
    shop: Short = ""


class Car(Part, frozen=True):
    """The vehicle model: what repeats."""

    make: Annotated[str, Meta(min_length=1, max_length=40)]
    model: Annotated[str, Meta(min_length=1, max_length=40)]
    year_from: Year
    year_to: Year | None = None
    trim: Annotated[str, Meta(max_length=40)] = ""
    audio_package: Annotated[str, Meta(max_length=60)] = ""
    body_shape: Short = "hatchback"


class ProductName(Part, frozen=True):
    """A product as its maker calls it. `product_id` is the catalogue's own key in this shop."""

    product: Short
    maker: Annotated[str, Meta(max_length=60)]
    name: Annotated[str, Meta(max_length=80)]
    kind: Short
    part_number: Annotated[str, Meta(max_length=60)] = ""
    quantity: Annotated[int, Meta(ge=1, le=1000)] = 1
    product_id: int | None = None


class OtherSetting(Part, frozen=True):
    """A setting outside the channels, as left."""

    name: Annotated[str, Meta(min_length=1, max_length=80)]
    after: Annotated[str, Meta(max_length=80)]


class PlugWire(Part, frozen=True):
    """One cavity of one plug of the vehicle: the colour in it and what it does."""

    connector: Annotated[str, Meta(max_length=40)]
    cavity: Annotated[str, Meta(max_length=20)]
    base: Code
    stripe: Code
    function: Short
    sign: Literal["+", "−"]
    proved: bool = False


class StepNote(Part, frozen=True):
    """A step of the work, what was said of it and what was read at it."""

    text: Words
    outcome: Literal["done", "skipped", ""] = ""
    note: Words = ""
    reading: Short = ""


class PhotoReference(Part, frozen=True):
    """A photo of the work. `photo` is its key in this shop's book; a file carries a thumbnail."""

    subject: Short
    caption: Annotated[str, Meta(max_length=200)] = ""
    job: int | None = None
    photo: int | None = None
    thumbnail: Annotated[str, Meta(max_length=MOST_THUMBNAIL)] = ""


class FitSource(Part, frozen=True):
    """What was consulted to know that the parts fit, and what it said of the car it was for."""

    source: Short
    reference: Annotated[str, Meta(max_length=80)] = ""
    outcome: Literal["fits", "fits_with_changes"] = "fits"
    note: Words = ""


class PartFacts(Part, frozen=True):
    """What was written down of a part that the next one of its kind has too: no serial, and
    nothing of the state in which that one came."""

    firmware: Annotated[str, Meta(max_length=40)] = ""
    note: Annotated[str, Meta(max_length=200)] = ""
    data_file: Short = ""
    options: Annotated[str, Meta(max_length=300)] = ""
    written_with: Annotated[str, Meta(max_length=80)] = ""
    written_cable: Annotated[str, Meta(max_length=80)] = ""
    mount_place: Annotated[str, Meta(max_length=80)] = ""
    fixings: Short = ""
    torque_nm: Annotated[float, Meta(ge=0.1, le=200)] | None = None
    state_name: Annotated[str, Meta(max_length=60)] = ""
    state_slot: Annotated[str, Meta(max_length=20)] = ""


class PanelOff(Part, frozen=True):
    """A panel that comes off for this work, and how many clips and screws hold it."""

    name: Annotated[str, Meta(min_length=1, max_length=80)]
    clips: Annotated[int, Meta(ge=0, le=200)] | None = None


class LeadWire(Part, frozen=True):
    """One wire of an adapter lead, pin to pin."""

    from_pin: Annotated[str, Meta(min_length=1, max_length=20)]
    to_pin: Annotated[str, Meta(min_length=1, max_length=20)]
    base: Code = ""
    stripe: Code = ""
    note: Short = ""


class Lead(Part, frozen=True):
    """A lead between two plugs."""

    name: Annotated[str, Meta(min_length=1, max_length=80)]
    from_plug: Annotated[str, Meta(max_length=40)]
    to_plug: Annotated[str, Meta(max_length=40)]
    wires: Annotated[tuple[LeadWire, ...], Meta(max_length=200)] = ()


class TapeDistance(Part, frozen=True):
    """The tape-measured way from a speaker to the ears in a seat."""

    seat: Annotated[str, Meta(max_length=16)]
    weight: Annotated[float, Meta(ge=0, le=10)]
    speaker: Id
    distance_m: Annotated[float, Meta(ge=0, le=10)]


class CautionReason(Part, frozen=True):
    """Why a caution of a rule about these places of the plan was let stand."""

    rule: Short
    where: Annotated[tuple[Id, ...], Meta(max_length=400)]
    title: Words
    reason: Words


class SetupDocument(Part, frozen=True):
    """All that the next car of the model can take over. No customer, no serial number."""

    setup_version: Literal[4]
    source: Source
    vehicle: Car
    products: dict[Id, ProductName]
    speaker_parts: dict[Id, Annotated[str, Meta(max_length=40)]]
    plan: Plan
    recorded: Annotated[tuple[Id, ...], Meta(max_length=400)]
    other_settings: Annotated[tuple[OtherSetting, ...], Meta(max_length=200)] = ()
    wires: Annotated[tuple[PlugWire, ...], Meta(max_length=800)] = ()
    step_notes: Annotated[tuple[StepNote, ...], Meta(max_length=300)] = ()
    photos: Annotated[tuple[PhotoReference, ...], Meta(max_length=MOST_PHOTOS)] = ()
    fit: FitSource | None = None
    part_facts: dict[Id, PartFacts] = {}
    distances: Annotated[tuple[TapeDistance, ...], Meta(max_length=800)] = ()
    reasons: Annotated[tuple[CautionReason, ...], Meta(max_length=400)] = ()
    adapters: Annotated[tuple[Lead, ...], Meta(max_length=50)] = ()
    panels: Annotated[tuple[PanelOff, ...], Meta(max_length=100)] = ()
    measured_minutes: Annotated[float, Meta(ge=0, le=100_000)] | None = None


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a setup's document."""
    document = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Loombook saved setup, version {SETUP_VERSION}",
        **msgspec.json.schema(SetupDocument),
    }
    plain: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(document))
    return plain
