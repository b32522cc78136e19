"""Products of the catalogue, saved and removed with their rated powers, and logged."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.db import transaction

from shop.catalogue.columns import Ratings, rating_key
from shop.models import Product, StaffMember
from shop.services import events

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
