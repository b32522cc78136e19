"""Where a VIN says a vehicle comes from: suggestions, whatever is typed.

The regions are those of ISO 3780 by the first character: A to C Africa, J to R Asia, S to Z Europe,
1 to 5 North America, 6 and 7 Oceania, 8 and 9 South America (from memory; 7 is since shared).
The numbers are invented, with maker codes that name nobody.
"""

import pytest
from hypothesis import given, strategies as st

from shop.vin import VALUES
from shop.vin_origin import Origin, origin_of


@pytest.mark.parametrize(
    ("first", "region"),
    [
        ("A", "Africa"),
        ("M", "Asia"),
        ("X", "Europe"),
        ("4", "North America"),
        ("6", "Oceania"),
        ("8", "South America"),
    ],
)
def test_the_first_character_names_the_region(first: str, region: str) -> None:
    found = origin_of(f"{first}0Z000000LA000001")
    assert found.region == region
    assert "vininfo" in found.source


@given(st.text(max_size=20) | st.text(st.sampled_from(sorted(VALUES)), min_size=17, max_size=17))
def test_any_number_gets_an_answer(vin: str) -> None:
    assert isinstance(origin_of(vin), Origin)


def test_a_maker_of_few_vehicles_is_not_taken_for_a_large_one() -> None:
    # ISO 3780: a 9 in the third place says that positions 12 to 14 name the maker too.
    for first in VALUES:
        for second in VALUES:
            assert origin_of(f"{first}{second}9000000LA000001").maker == ""
