"""The wire book: what signed jobs found in each vehicle model's plugs. Reads only.

A cavity whose colour or function differs between cars is a conflict: it is shown, never settled.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from django.db.models import Count, Q

from jobs import wording
from jobs.lifecycle import SIGNED
from jobs.models import Channel, Photo
from shop.kept_words import told
from shop.models import VehicleModel
from wiring import colours

MOST_WIRES: Final = 20_000
MOST_MODELS: Final = 200
PHOTOS_A_PLUG: Final = 4


@dataclass(frozen=True)
class Seen:
    """One way a cavity was found: colour and function, in how many cars, in how many proved."""

    base: str
    stripe: str
    function: str
    cars: int
    proved: int
    last_job: int

    @property
    def code(self) -> str:
        return f"{self.base}/{self.stripe}" if self.stripe else self.base

    @property
    def colour(self) -> str:
        return colours.describe(self.base, self.stripe) if self.base else "colour not written"


@dataclass
class Cavity:
    """A cavity of a plug, and every way it was found."""

    name: str
    seen: list[Seen] = field(default_factory=list)

    @property
    def conflict(self) -> bool:
        return len(self.seen) > 1


@dataclass
class Plug:
    """A plug of a vehicle model: its cavities, and photos of its wires."""

    name: str
    cavities: list[Cavity] = field(default_factory=list)
    photos: list[Photo] = field(default_factory=list)

    @property
    def conflicts(self) -> int:
        return sum(cavity.conflict for cavity in self.cavities)


@dataclass(frozen=True)
class Elsewhere:
    """A function that was found at more than one cavity of the model."""

    function: str
    places: tuple[str, ...]


def models_seen(text: str = "") -> list[Any]:
    """Vehicle models with wires in signed jobs, each with how many, by make and model."""
    wanted = Q(vehicles__jobs__stage__in=SIGNED, vehicles__jobs__correction="") & ~Q(
        vehicles__jobs__channels__connector="",
        vehicles__jobs__channels__positive_base="",
        vehicles__jobs__channels__negative_base="",
    )
    return list(
        VehicleModel.objects.matching(text)
        .filter(vehicles__jobs__stage__in=SIGNED, vehicles__jobs__correction="")
        .annotate(
            wires_seen=Count("vehicles__jobs__channels", filter=wanted, distinct=True),
            cars_seen=Count("vehicles", filter=wanted, distinct=True),
        )
        .filter(wires_seen__gt=0)
        .order_by("make", "model", "-year_from", "trim")[:MOST_MODELS]
    )


def _function(row: Any, sign: str) -> str:
    fed = [wording.speakers([one]) for one in row.speakers.all()]
    if row.feeds_part is not None:
        fed.append(f"{wording.entry(row.feeds_input)} of the {row.feeds_part.product}")
    return f"{'; '.join(sorted(fed)) or 'Not said'} {sign}"


def _rows(model: VehicleModel) -> Iterable[Any]:
    return (
        Channel.objects.filter(
            job__vehicle__vehicle_model=model, job__stage__in=SIGNED, job__correction=""
        )
        .exclude(connector="", positive_base="", negative_base="")
        .select_related("job", "feeds_part__product")
        .prefetch_related("speakers")
        .order_by("pk")[: MOST_WIRES // 2]
    )


def _found(text: str, function: str, base: str, stripe: str) -> bool:
    """Whether a wire is what was asked for: words of its function, or its colour."""
    if not text:
        return True
    asked = colours.read(text)
    if asked is not None and asked[0] == base and (not asked[1] or asked[1] == stripe):
        return True
    colour = colours.describe(base, stripe) if base else ""
    said = f"{wording.function_said(function)} {told(colour)}"
    plain = f"{function} {wording.colour_code(base, stripe)} {colour} {said}"
    return all(word in plain.casefold() for word in text.casefold().split())


def plugs_of(model: VehicleModel, text: str = "") -> tuple[list[Plug], list[Elsewhere]]:
    """The plugs of a model as signed jobs found them, and functions found in several places.

    `text` is a function or a colour; conflicts are judged over everything, also what it hides.
    """
    cars: dict[tuple[str, str], dict[tuple[str, str, str], set[int]]] = defaultdict(
        lambda: defaultdict(set)
    )
    proved: Counter[tuple[Any, ...]] = Counter()
    last: dict[tuple[Any, ...], int] = {}
    plug_of_channel: dict[str, str] = {}
    places: dict[str, set[str]] = defaultdict(set)
    for row in _rows(model):
        plug = " ".join(row.connector.split()) or "Plug not named"
        plug_of_channel[f"channel:{row.pk}"] = plug
        for sign, name in (("+", "positive"), ("−", "negative")):
            cavity = getattr(row, f"{name}_cavity")
            base, stripe = getattr(row, f"{name}_base"), getattr(row, f"{name}_stripe")
            if not (cavity or base):
                continue
            function = _function(row, sign)
            way = (base, stripe, function)
            cars[plug, cavity][way].add(row.job.vehicle_id)
            proved[plug, cavity, *way] += row.polarity_proved is True
            last[plug, cavity, *way] = row.job.number
            places[function].add(f"{plug}, {cavity or 'pin not written'}")
    plugs: dict[str, Plug] = {}
    for (plug, cavity), ways in sorted(cars.items(), key=lambda one: _in_order(one[0])):
        if not any(_found(text, function, base, stripe) for base, stripe, function in ways):
            continue
        seen = [
            Seen(*way, len(vehicles), proved[plug, cavity, *way], last[plug, cavity, *way])
            for way, vehicles in ways.items()
        ]
        seen.sort(key=lambda one: (-one.proved, -one.cars))
        plugs.setdefault(plug, Plug(plug)).cavities.append(Cavity(cavity or "–", seen))
    _add_photos(plugs, plug_of_channel)
    elsewhere = [
        Elsewhere(function, tuple(sorted(pins)))
        for function, pins in sorted(places.items())
        if len(pins) > 1 and not function.startswith("Not said")
    ]
    return list(plugs.values()), elsewhere


def _in_order(key: tuple[str, str]) -> tuple[str, int, str]:
    plug, cavity = key
    return plug, int(cavity) if cavity.isascii() and cavity.isdigit() else 0, cavity


def _add_photos(plugs: dict[str, Plug], plug_of_channel: dict[str, str]) -> None:
    subjects = list(plug_of_channel)[-500:]
    taken = Photo.objects.kept().filter(subject__in=subjects).select_related("job")
    for photo in taken.order_by("-pk"):
        plug = plugs.get(plug_of_channel[photo.subject])
        if plug is not None and len(plug.photos) < PHOTOS_A_PLUG:
            plug.photos.append(photo)
