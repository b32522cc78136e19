"""Sums of money: exact, rounded where it is said, against arithmetic in fractions."""

from decimal import Decimal
from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given, strategies as st

from shop.currencies import decimals_of
from shop.money import line_amount, rounded, said, together, totals

codes = st.sampled_from(["JPY", "EUR", "KWD", "UYW", ""])
quantities = st.decimals("0", "999999.999", places=3)
prices = st.decimals("-999999999.9999", "999999999.9999", places=4)
rates = st.decimals("0", "100", places=3)


def unit(code: str) -> Fraction:
    return Fraction(1, 10 ** decimals_of(code))


def nearest(exact: Fraction, code: str) -> Fraction:
    """The nearest multiple of the unit, half away from nought, in whole numbers alone."""
    scaled = abs(exact) / unit(code)
    whole = (2 * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)
    return whole * unit(code) * (-1 if exact < 0 else 1)


@given(quantities, prices, codes)
def test_a_line_is_the_exact_product_to_the_nearest_unit(
    quantity: Decimal, price: Decimal, code: str
) -> None:
    exact = Fraction(quantity) * Fraction(price)
    assert Fraction(line_amount(quantity, price, code)) == nearest(exact, code)


@given(st.lists(st.tuples(quantities, prices), max_size=30), rates, codes, st.booleans())
def test_net_and_tax_are_exactly_the_total(
    lines: list[tuple[Decimal, Decimal]], rate: Decimal, code: str, with_tax: bool
) -> None:
    amounts = [line_amount(quantity, price, code) for quantity, price in lines]
    found = totals(amounts, rate, code, with_tax=with_tax)
    whole = sum(map(Fraction, amounts), Fraction(0))
    of = 100 + Fraction(rate) if with_tax else Fraction(100)
    assert found.net + found.tax == found.total
    assert Fraction(found.tax) == nearest(whole * Fraction(rate) / of, code)
    assert Fraction(found.total if with_tax else found.net) == whole


several = st.lists(
    st.tuples(st.lists(st.tuples(quantities, prices), max_size=8), rates), min_size=1, max_size=5
)


@given(several, codes, st.booleans())
def test_the_sums_of_the_rates_are_exactly_the_whole(
    by_rate: list[tuple[list[tuple[Decimal, Decimal]], Decimal]], code: str, with_tax: bool
) -> None:
    """Each rate is rounded once; the whole is no rounding of its own."""
    priced = [
        ([line_amount(quantity, price, code) for quantity, price in lines], rate)
        for lines, rate in by_rate
    ]
    parts = [totals(amounts, rate, code, with_tax=with_tax) for amounts, rate in priced]
    whole = together(parts)
    assert whole.net + whole.tax == whole.total
    exact = [
        nearest(
            sum(map(Fraction, amounts), Fraction(0))
            * Fraction(rate)
            / (100 + Fraction(rate) if with_tax else 100),
            code,
        )
        for amounts, rate in priced
    ]
    assert Fraction(whole.tax) == sum(exact)
    lines = sum((Fraction(one) for amounts, _ in priced for one in amounts), Fraction(0))
    assert Fraction(whole.total if with_tax else whole.net) == lines


def test_the_order_of_lines_changes_nothing() -> None:
    amounts = [Decimal("0.105"), Decimal("2.35"), Decimal("-1.01")]
    rate = Decimal("19")
    every = {totals(one, rate, "EUR", with_tax=False) for one in permutations(amounts)}
    assert len(every) == 1


@pytest.mark.parametrize(
    ("amount", "code", "text"),
    [
        ("1250", "EUR", "1250.00\u00a0EUR"),
        ("12500.005", "EUR", "12\u00a0500.01\u00a0EUR"),
        ("12500.5", "JPY", "12\u00a0501\u00a0JPY"),
        ("-0.0625", "KWD", "−0.063\u00a0KWD"),
        ("3", "", "3.00"),
    ],
)
def test_a_sum_is_said_with_its_code(amount: str, code: str, text: str) -> None:
    assert said(Decimal(amount), code) == text


def test_half_a_unit_goes_away_from_nought() -> None:
    halves = [rounded(Decimal(text), "EUR") for text in ("0.005", "0.015", "-0.005")]
    assert halves == [Decimal("0.01"), Decimal("0.02"), Decimal("-0.01")]
