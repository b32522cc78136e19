"""Products of the catalogue, saved and removed with their rated powers, and logged."""

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext

from shop.catalogue.columns import Ratings, rating_key
from shop.models import Product, ShopEvent, StaffMember
from shop.services import events
from shop.services.events import Change

if TYPE_CHECKING:
    from django.forms import BaseInlineFormSet


def ratings_of(product: Product) -> Ratings:
    """The rated powers of a product in W, by load in Ω and whether bridged."""
    return {(rating.load_ohm, rating.bridged): rating.power_w for rating in product.ratings.all()}


def rating_facts(ratings: Ratings, but: Ratings | None = None) -> dict[str, float]:
    """Rated powers as the log keeps them, by the key of their column; `but` those that are the
    same in another set."""
    but = but or {}
    return {
        rating_key(*rating): power_w
        for rating, power_w in ratings.items()
        if but.get(rating) != power_w
    }


def change_of_product(
    old: Product | None, new: Product, old_ratings: Ratings, ratings: Ratings
) -> events.Change | None:
    """What became of a product and its rated powers."""
    before: Mapping[str, Any] = rating_facts(old_ratings, but=ratings)
    return events.change_of(old, new, before, rating_facts(ratings, but=old_ratings))


@transaction.atomic
def save_product(
    product: Product, ratings: "BaseInlineFormSet[Any, Any, Any] | None", actor: StaffMember
) -> Product:
    """Save a product with its rated powers, where its kind has such."""
    old = events.standing(product)
    old_ratings = ratings_of(old) if old else {}
    product.save()
    if ratings is not None:
        ratings.save()
    now = ratings_of(Product(pk=product.pk))
    if change := change_of_product(old, product, old_ratings, now):
        events.log_each(actor, [change])
    return product


@transaction.atomic
def remove_product(product: Product, actor: StaffMember) -> None:
    """Delete a product. Raises ProtectedError when a job uses it."""
    events.delete(product, actor, before=rating_facts(ratings_of(product)))


# Corrected at the bench ---------------------------------------------------------------------

CORRECTED: Final = "product.corrected"
LOOKED_AT: Final = "product.looked_at"

INPUTS: Final = (
    "line_inputs",
    "speaker_inputs",
    "optical_inputs",
    "coaxial_inputs",
    "network_inputs",
    "input_sensitivity_min_v",
    "input_sensitivity_max_v",
    "input_max_v",
)
"""What the bench may correct of a product: what stands on the case in front of it."""


def inputs_seen(product: Product) -> str:
    """A short mark of a product's inputs as a page showed them."""
    told = repr([getattr(product, name) for name in INPUTS])
    return hashlib.sha256(told.encode()).hexdigest()[:16]


@transaction.atomic
def correct_inputs(
    pk: int, inputs: Mapping[str, Any], note: str, seen: str, actor: StaffMember
) -> ShopEvent | None:
    """Correct a product's inputs, with a note to the manager; None where nothing differs.

    Raises ValidationError when they are no longer as the page showed them (`seen`).
    """
    product = Product.objects.select_for_update().get(pk=pk)
    changed = {
        name: value
        for name, value in inputs.items()
        if name in INPUTS and getattr(product, name) != value
    }
    if not changed:
        return None
    if seen != inputs_seen(product):
        raise ValidationError(
            gettext(
                "Somebody changed these figures meanwhile: look at them as they are now, "
                "then correct what is still wrong."
            )
        )
    before = {name: getattr(product, name) for name in changed}
    for name, value in changed.items():
        setattr(product, name, value)
    product.save(update_fields=list(changed))
    return events.log(actor, CORRECTED, product, before, {**changed, "note": note})


def corrections(product: Product | None = None) -> list[ShopEvent]:
    """Corrections that no manager has looked at yet, the newest first; of one product, or all."""
    rows = ShopEvent.objects.filter(code=CORRECTED).select_related("actor")
    if product is not None:
        rows = rows.filter(subject=events.subject_of(product))
    seen = ShopEvent.objects.filter(code=LOOKED_AT).values_list("part_of", flat=True)
    return list(rows.exclude(pk__in=seen))


@transaction.atomic
def look_at_correction(pk: int, actor: StaffMember, *, put_back: bool) -> bool:
    """Keep a correction, or put back what it changed, save what was changed since.

    False where somebody looked at it before. Raises DoesNotExist for what is no correction.
    """
    event = ShopEvent.objects.select_for_update(of=("self",)).get(pk=pk, code=CORRECTED)
    if ShopEvent.objects.filter(code=LOOKED_AT, part_of=event).exists():
        return False
    _, product_pk = event.about
    product = Product.objects.select_for_update().filter(pk=product_pk).first()
    told = Change(LOOKED_AT, product or Product(pk=product_pk), after={"kept": not put_back})
    events.log_each(actor, [told], part_of=event)
    if put_back and product is not None:
        back = {
            name: value
            for name, value in event.before.items()
            if getattr(product, name) == event.after[name]
        }
        for name, value in back.items():
            setattr(product, name, value)
        if back:
            events.save(product, actor, only=list(back))
    return True
