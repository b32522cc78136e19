"""A figure of a product as people read it."""

from shop.models import Product


def shown_figure(product: Product, name: str) -> str:
    """One figure in words: a choice by its label, a number without needless digits."""
    display = getattr(product, f"get_{name}_display", None)
    value = display() if display else getattr(product, name)
    if isinstance(value, bool):
        return "Yes" if value else "No"
    if value in (None, ""):
        return "Not given"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
