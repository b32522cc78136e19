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
    return f"{wording.grouped(whole)}{wording.style().point if point else ''}{rest}"


@register.filter
def each(price: Decimal | str, currency: str) -> str:
    """A price of one, with every digit it has: "0.0125 EUR", and "12.50 EUR" for 12.5."""
    exact = Decimal(price)
    if money.rounded(exact, currency) == exact:
        return money.said(exact, currency)
    return wording.with_unit(decimal(exact), currency)
