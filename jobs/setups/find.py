"""The saved setups that come nearest to a car, each with why it matches and why not. Reads only.

Candidates are few however many setups there are: the car's own model, and the most alike of the
same make and model, each read through the index, approved ones and the most used first.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from jobs import wording
from jobs.lifecycle import PLAN_OPEN
from jobs.models import Job, SavedSetup, SetupState
from shop import branches
from shop.models import Product, VehicleModel

MOST_SHOWN: Final = 6
MOST_MODELS: Final = 4
MOST_OF_A_MODEL: Final = 12
MOST_JOBS: Final = 60
MOST_ALIKE: Final = 200
"""Other models of the make and model that are looked through for the most alike."""

EXACT, YEAR, PACKAGE, TRIM, PRODUCTS = 40.0, 20.0, 20.0, 5.0, 30.0
"""What each agreement weighs when matches are ranked: the shop's own choice, no source. Another
package or year can mean other plugs, so they weigh more than the trim."""


@dataclass(frozen=True)
class Reason:
    """One thing that agrees, or that does not."""

    agrees: bool
    text: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", f"{self.text[:1].upper()}{self.text[1:]}")


@dataclass(frozen=True)
class Match:
    """A setup with its reasons; `near` when it is not for this very model, or not its year."""

    setup: SavedSetup
    score: float
    near: bool
    reasons: tuple[Reason, ...] = field(default=())

    @property
    def against(self) -> list[Reason]:
        return [reason for reason in self.reasons if not reason.agrees]


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _in_years(model: VehicleModel, year: int) -> bool:
    return model.year_from <= year <= (model.year_to or year)


def _model_reasons(
    wanted: VehicleModel, year: int, model: VehicleModel
) -> tuple[float, list[Reason]]:
    reasons, score = [], 0.0
    if model.pk == wanted.pk:
        score += EXACT
        reasons.append(Reason(True, "the same model"))
    if _in_years(model, year):
        score += YEAR
        reasons.append(Reason(True, f"{year} is within {model.years}"))
    else:
        reasons.append(Reason(False, f"for {model.years}, this car is of {year}"))
    if _plain(model.audio_package) == _plain(wanted.audio_package):
        score += PACKAGE
        if model.pk != wanted.pk:
            reasons.append(Reason(True, "the same factory audio package"))
    else:
        reasons.append(
            Reason(
                False,
                f"other audio package: {model.audio_package or 'none given'}; "
                f"this car: {wanted.audio_package or 'none given'}",
            )
        )
    if _plain(model.trim) == _plain(wanted.trim):
        score += TRIM
    else:
        reasons.append(
            Reason(
                False, f"trim {model.trim or 'not given'}; this car: {wanted.trim or 'not given'}"
            )
        )
    return score, reasons


def _product_reasons(setup: SavedSetup, here: Iterable[Product]) -> tuple[float, list[Reason]]:
    mine = {_plain(str(product)): str(product) for product in here}
    theirs = {_plain(name): name for name in setup.product_names}
    if not mine or not theirs:
        return 0.0, []
    shared = mine.keys() & theirs.keys()
    reasons = []
    missing = [theirs[key] for key in theirs if key not in mine]
    extra = [mine[key] for key in mine if key not in theirs]
    if shared:
        reasons.append(Reason(True, f"{len(shared)} of {len(theirs)} products are the same"))
    if missing:
        reasons.append(Reason(False, f"not in this job: {wording.listed(missing, 3)}"))
    if extra:
        reasons.append(Reason(False, f"not in the setup: {wording.listed(extra, 3)}"))
    return PRODUCTS * len(shared) / max(len(theirs), len(mine)), reasons


def _alike(wanted: VehicleModel, year: int) -> list[VehicleModel]:
    """Other models of the make and model, the most alike first."""
    models = list(
        VehicleModel.objects.filter(make=wanted.make, model=wanted.model)
        .exclude(pk=wanted.pk)
        .order_by("-year_from", "pk")[:MOST_ALIKE]
    )
    models.sort(key=lambda model: -_model_reasons(wanted, year, model)[0])
    return models[: MOST_MODELS - 1]


def _of_model(
    model: VehicleModel, wanted: VehicleModel, year: int, products: list[Product]
) -> list[Match]:
    rows = (
        SavedSetup.objects.filter(vehicle_model=model, state__lt=SetupState.WITHDRAWN)
        .only("name", "state", "times_used", "product_names", "vehicle_model")
        .order_by("state", "-times_used")[:MOST_OF_A_MODEL]
    )
    score, reasons = _model_reasons(wanted, year, model)
    near = model.pk != wanted.pk or not _in_years(model, year)
    matches = []
    for setup in rows:
        setup.vehicle_model = model
        more, product_reasons = _product_reasons(setup, products)
        matches.append(Match(setup, score + more, near, (*reasons, *product_reasons)))
    return matches


def best_matches(
    wanted: VehicleModel, year: int, products: Iterable[Product] = (), most: int = MOST_SHOWN
) -> list[Match]:
    """The setups to offer for a car of this model and year that gets these products.

    Approved ones stand before drafts, withdrawn ones are not offered; then the best first. Where
    the car's own model has enough approved ones no other model is looked at: none could pass them.
    """
    products = list(products)
    matches = _of_model(wanted, wanted, year, products)
    sure = sum(one.setup.is_approved and not one.near for one in matches)
    if sure < most:
        for model in _alike(wanted, year):
            matches += _of_model(model, wanted, year, products)
    matches.sort(key=lambda one: (one.setup.state, -one.score, -one.setup.times_used))
    return matches[:most]


def match_with(setup: SavedSetup, job: Job) -> Match:
    """One setup beside one job."""
    vehicle = job.vehicle
    model = setup.vehicle_model
    score, reasons = _model_reasons(vehicle.vehicle_model, vehicle.year, model)
    products = [part.product for part in job.parts.all()]
    more, product_reasons = _product_reasons(setup, products)
    near = model.pk != vehicle.vehicle_model_id or not _in_years(model, vehicle.year)
    return Match(setup, score + more, near, (*reasons, *product_reasons))


def jobs_to_fit(setup: SavedSetup) -> list[tuple[Job, Match]]:
    """Jobs whose plan is still open and whose car is of the setup's make and model, the best
    fitting first."""
    model = setup.vehicle_model
    jobs = (
        Job.objects.filter(
            stage__in=PLAN_OPEN,
            vehicle__vehicle_model__make=model.make,
            vehicle__vehicle_model__model=model.model,
        )
        .filter(branches.own("bay__branch"))
        .with_names()
        .prefetch_related("parts__product")
        .order_by("starts_at")[:MOST_JOBS]
    )
    matched = [(job, match_with(setup, job)) for job in jobs]
    return sorted(matched, key=lambda pair: -pair[1].score)


def matches_for(job: Job, most: int = MOST_SHOWN) -> list[Match]:
    """The setups to offer for a job, by its car and its parts."""
    products = [part.product for part in job.parts.select_related("product")]
    return best_matches(job.vehicle.vehicle_model, job.vehicle.year, products, most)
