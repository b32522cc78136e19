"""A figure of a product as people read it."""

from shop.models import Product
from shop.wording import number


def shown_figure(product: Product, name: str) -> str:
    """One figure in words: a choice by its label, a number without needless digits."""
    display = getattr(product, f"get_{name}_display", None)
    value = display() if display else getattr(product, name)
    if isinstance(value, bool):
        return "Yes" if value else "No"
    if value in (None, ""):
        return "Not given"
    return number(value, figures=10) if isinstance(value, int | float) else str(value)
