"""Currencies against ISO 4217:2015, list one as published by its maintenance agency on 1 January
2026 (funds, metals and test codes left out): `iso_4217_list_one.csv` holds code and minor unit."""

import csv
from pathlib import Path

from shop.currencies import NAMES, decimals_of

LIST_ONE = Path(__file__).parent / "iso_4217_list_one.csv"


def test_every_currency_of_the_list_has_its_smallest_unit() -> None:
    with LIST_ONE.open(newline="") as file:
        listed = {row["code"]: int(row["minor_unit"]) for row in csv.DictReader(file)}
    assert {code: decimals_of(code) for code in NAMES} == listed
    assert {listed["JPY"], listed["EUR"], listed["KWD"], listed["UYW"]} == {0, 2, 3, 4}
