"""What goes in and out, as types: the description is made of them."""

import re
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from ninja import Schema
from pydantic import AwareDatetime, BeforeValidator, ConfigDict, Field, StrictBool, StrictInt

from shop.typed import FIRST_DAY, LARGEST, LAST_DAY

_RFC_3339: Final = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)\Z", re.ASCII
)


def _moment(given: object) -> object:
    if not (isinstance(given, str) and _RFC_3339.match(given)):
        raise ValueError("write a moment with its zone, as 2026-05-31T10:00:00+02:00")
    if not str(FIRST_DAY.year) <= given[:4] <= str(LAST_DAY.year):
        raise ValueError(f"give a day from {FIRST_DAY.year} to {LAST_DAY.year}")
    return given


Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]
Key = Annotated[StrictInt, Field(ge=1, le=LARGEST)]
Number = Annotated[int, Field(ge=1, le=999_999_999)]
Stage = Literal[
    "booked",
    "checked_in",
    "in_bay",
    "ready_for_review",
    "signed_off",
    "collected",
    "on_hold",
    "cancelled",
]


Kind = Literal[
    "amplifier",
    "processor",
    "interface",
    "speaker",
    "subwoofer",
    "cable",
    "fuse",
    "battery",
    "capacitor",
    "isolator",
    "converter",
    "other",
]


def _plain(given: object) -> object:
    if not isinstance(given, str):
        raise ValueError("write a text")
    if "\x00" in given or any("\ud800" <= letter <= "\udfff" for letter in given):
        raise ValueError("write it without NUL and half characters")
    return given


Text = Annotated[str, BeforeValidator(_plain)]


class Given(Schema):
    """A body: nothing is taken that is not known."""

    model_config = ConfigDict(extra="forbid")


# Out ----------------------------------------------------------------------------------------------


class BayOut(Schema):
    id: int
    name: str


class CarOut(Schema):
    model: str
    id: int | None = Field(None, description="With customers:read")
    plate: str | None = Field(None, description="With customers:read")
    vin: str | None = Field(None, description="With customers:read")


class CustomerOut(Schema):
    id: int
    name: str
    phone: str
    email: str


class JobOut(Schema):
    number: int
    stage: Stage
    stage_since: datetime
    correction: Literal["", "open", "in_review"] = Field(
        description="Where the correction of its signed sheet stands"
    )
    bay: BayOut
    starts_at: datetime
    ends_at: datetime
    promised_at: datetime
    technician: str | None
    comeback_of: int | None = Field(description="The number of an earlier job")
    car: CarOut
    customer: CustomerOut | None = Field(None, description="With customers:read")
    wants: str | None = Field(None, description="In the customer's words; with customers:read")


class Page(Schema):
    next: str | None = Field(description="The cursor of the next page; null on the last")


class JobPage(Page):
    items: list[JobOut]
    mark: int = Field(description="For changed_after, next time; of the first page")


class BayList(Schema):
    items: list[BayOut]


class FindingOut(Schema):
    rule: str
    severity: Literal["stop", "caution", "note"]
    title: str
    where: list[str]
    what_to_do: str
    source: str
    figures: list[dict[str, Any]]
    detail: str


class Findings(Schema):
    findings: list[FindingOut]


class SetupOut(Schema):
    id: int
    name: str
    note: str
    state: Literal["approved", "draft", "withdrawn"]
    version: int
    vehicle_model: str
    products: list[Any]
    times_used: int


class SetupPage(Page):
    items: list[SetupOut]


class SheetOut(Schema):
    number: str
    job: int
    revision: int
    signed_at: datetime
    signed_by: str
    corrects: str | None
    document_sha256: str
    pdf_sha256: str


class SheetPage(Page):
    items: list[SheetOut]


class RatingOut(Schema):
    load_ohm: float
    power_w: float
    bridged: bool


class ProductOut(Schema):
    id: int
    kind: Kind
    maker: str
    name: str
    part_number: str
    price: str | None
    discontinued: bool
    figures: dict[str, Any] = Field(description="What is known of it, by the name of the figure")
    ratings: list[RatingOut]


class ProductPage(Page):
    items: list[ProductOut]


# In -----------------------------------------------------------------------------------------------


class NewCustomer(Given):
    name: Text = Field(max_length=120, min_length=1)
    phone: Text = Field("", max_length=40)
    email: Text = Field("", max_length=254)
    another: StrictBool = Field(False, description="Yes, though the phone is in the book already")


class NewModel(Given):
    make: Text = Field(max_length=60, min_length=1)
    model: Text = Field(max_length=60, min_length=1)
    year_from: Annotated[StrictInt, Field(ge=1900, le=2100)]


class NewCar(Given):
    model: NewModel = Field(description="One that is in the book is found by make, model and year")
    plate: Text = Field("", max_length=20)
    vin: Text = Field("", max_length=40)
    year: Annotated[StrictInt, Field(ge=1900, le=2100)]
    another: StrictBool = Field(False, description="Yes, though plate or VIN is in the book")
    vin_confirmed: StrictBool = Field(False, description="Yes, the VIN is odd and so written")


class PartIn(Given):
    product: Key
    quantity: Annotated[StrictInt, Field(ge=1, le=99)] = 1


class BookIn(Given):
    customer: Key | NewCustomer = Field(description="Of the book, or new")
    car: Key | NewCar = Field(description="Of the book, or new")
    wants: Text = Field(max_length=4000, min_length=1)
    bay: Key
    starts_at: Moment
    ends_at: Moment
    promised_at: Moment
    technician: Key | None = None
    parts: list[PartIn] = Field(default=[], max_length=50)
    confirmed: Text = Field(
        "",
        max_length=48,
        description="The yes: what a 409 gave as `confirm`, when it is meant all the same",
    )


class BookedOut(Schema):
    number: int
    url: str


Heading = Annotated[Text, Field(min_length=1, max_length=120)]
Cell = (
    StrictBool
    | StrictInt
    | Annotated[float, Field(strict=True, allow_inf_nan=False)]
    | Annotated[Text, Field(max_length=5000)]
    | None
)


class ImportIn(Given):
    rows: list[dict[Heading, Cell]] = Field(
        min_length=1,
        max_length=3000,
        description="Each by the headings of the file that the catalogue gives out",
    )
    kind: Kind | None = Field(None, description="Of rows that do not say their own")
    alike: Literal["leave", "update", "add"] = Field(
        "leave", description="What to do with a row that looks like a product that stands"
    )


class RowOut(Schema):
    row: int
    title: str
    state: Literal["new", "changed", "same", "alike", "wrong"]
    says: list[str]


class ImportedOut(Schema):
    added: int
    changed: int
    rows: list[RowOut]


class TriedOut(Schema):
    rows: list[RowOut]


class ErrorOut(Schema):
    where: str
    says: str


class ProblemOut(Schema):
    """A problem document by RFC 9457."""

    type: str
    title: str
    status: int
    detail: str = Field(description="A sentence that says what to do next")
    errors: list[ErrorOut] = Field(default=[], description="What is wrong where")
    confirm: str | None = Field(
        None, description="Send it as `confirmed` with the same body to say yes"
    )
