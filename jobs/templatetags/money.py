"""Sums of money in templates."""

from decimal import Decimal

from django import template

from shop import money, wording

register = template.Library()


@register.filter("money")
def said(amount: Decimal | str | None, currency: str) -> str:
    """A sum with its currency; also one that a document keeps as text."""
    return money.said(None if amount in (None, "") else Decimal(amount), currency)


@register.filter
def decimal(value: Decimal | str | None) -> str:
    """A number as it was set, without noughts at its end."""
    if value in (None, ""):
        return wording.NOTHING
    whole, point, rest = money.plain(Decimal(value)).partition(".")
    return f"{wording.grouped(whole)}{point}{rest}"
