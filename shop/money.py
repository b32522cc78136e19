"""Sums of money: exact, in decimals, rounded where it is said and nowhere else.

Each line is rounded to the currency's smallest unit, half of one away from nought (common
practice, no source). Tax is worked out once for each rate, on the sum of its lines, and rounded
once, as EN 16931-1:2017, BR-CO-17, has it (from memory). So net and tax of each rate are exactly
its total, and the rates add up to the whole.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from typing import Final

from django.utils.translation import gettext_noop as kept

from shop import wording
from shop.currencies import decimals_of

_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_UP)

ROUNDING_SAID: Final = kept(
    "Each line is rounded to the smallest unit of the currency, half a unit up; tax is worked out "
    "on the sum of each rate and rounded once."
)


def rounded(amount: Decimal, currency: str) -> Decimal:
    """An amount in the currency's smallest unit, half a unit away from nought."""
    unit = Decimal(1).scaleb(-decimals_of(currency))
    return amount.quantize(unit, context=_EXACT)


def plain(amount: Decimal) -> str:
    """A number as text, however it was written: without an exponent and noughts at its end."""
    text = f"{amount:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def line_amount(quantity: Decimal, price: Decimal, currency: str) -> Decimal:
    """So many at that price each."""
    return rounded(_EXACT.multiply(quantity, price), currency)


@dataclass(frozen=True)
class Totals:
    """A sum without tax, the tax, and both."""

    net: Decimal
    tax: Decimal
    total: Decimal


def totals(
    amounts: Iterable[Decimal], tax_percent: Decimal, currency: str, *, with_tax: bool
) -> Totals:
    """The sum of rounded lines and its tax; `with_tax` says that the lines hold the tax already."""
    lines = rounded(sum(amounts, Decimal(0)), currency)
    of = Decimal(100) + tax_percent if with_tax else Decimal(100)
    tax = rounded(_EXACT.divide(_EXACT.multiply(lines, tax_percent), of), currency)
    return Totals(lines - tax, tax, lines) if with_tax else Totals(lines, tax, lines + tax)


def together(parts: Iterable[Totals]) -> Totals:
    """What the sums of several rates come to."""
    listed = list(parts)
    return Totals(
        sum((one.net for one in listed), Decimal(0)),
        sum((one.tax for one in listed), Decimal(0)),
        sum((one.total for one in listed), Decimal(0)),
    )


def said(amount: Decimal | None, currency: str) -> str:
    """ "1250.00 EUR", "12 500 JPY": with its code, which no other currency shares."""
    if amount is None:
        return wording.NOTHING
    text = f"{rounded(amount, currency):f}"
    sign, digits = (wording.MINUS, text[1:]) if text.startswith("-") else ("", text)
    whole, point, rest = digits.partition(".")
    point = wording.style().point if point else ""
    return wording.with_unit(f"{sign}{wording.grouped(whole)}{point}{rest}", currency)
