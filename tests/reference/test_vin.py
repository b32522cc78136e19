"""VIN check digit, model year and likely slips, against 49 CFR 565 and worked examples."""

import pytest
from hypothesis import given, strategies as st

from shop import vin

GOOD = "1M8GDM9AXKP042788"
"""Sum 351 = 31 * 11 + 10, check character X: computed by hand by the rule of 49 CFR 565.15(c)."""

ALLOWED = "".join(sorted(vin.VALUES))


def test_weights_are_those_of_the_regulation() -> None:
    """49 CFR 565.15(c), Table IV: positions 1 to 17, the check digit itself weighing nothing."""
    assert vin.WEIGHTS == (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def test_values_of_letters_are_those_of_the_regulation() -> None:
    """49 CFR 565.15(c), Table III. S is 2: the row J to R ends at 9 and the next begins at 2."""
    table = "A1 B2 C3 D4 E5 F6 G7 H8 J1 K2 L3 M4 N5 P7 R9 S2 T3 U4 V5 W6 X7 Y8 Z9"
    letters = {pair[0]: int(pair[1]) for pair in table.split()}
    assert {k: v for k, v in vin.VALUES.items() if k.isalpha()} == letters


@pytest.mark.parametrize(
    ("number", "total", "check"),
    [
        # 49 CFR 565, sample calculation (Table V of the edition of 2002), check digit left open.
        ("1G4AH59H05G118341", 411, "4"),
        # Computed by hand by the rule of 49 CFR 565.15(c).
        (GOOD, 351, "X"),
        ("5GZCZ43D13S812715", 408, "1"),
        # Seventeen ones: every value 1, the weights add up to 89 = 8 * 11 + 1.
        ("1" * 17, 89, "1"),
    ],
)
def test_worked_examples(number: str, total: int, check: str) -> None:
    assert vin.weighted_sum(number) == total
    assert vin.check_character(number) == check


@pytest.mark.parametrize(
    ("position_7", "position_10", "year"),
    [
        # 49 CFR 565.15(b) and Table VII; A is 1980 and 2010, Y is 2000, 9 is 2009, B is 2011.
        ("M", "A", 2010),
        ("1", "A", 1980),
        ("1", "Y", 2000),
        ("1", "9", 2009),
        ("M", "B", 2011),
    ],
)
def test_model_year(position_7: str, position_10: str, year: int) -> None:
    number = "1M8GDM" + position_7 + "A0" + position_10 + "P042788"
    assert vin.model_years(number)[0] == year


def test_years_that_cannot_be_on_sale_yet_are_left_out() -> None:
    number = "1M8GDMMA0YP042788"
    assert vin.model_years(number) == (2030, 2000)
    assert vin.model_years(number, latest_year=2027) == (2000,)


def test_a_good_number_raises_no_question_however_it_is_typed() -> None:
    for typed in (
        GOOD,
        GOOD.lower(),
        "1m8 gdm-9axkp 042788",
        f"*{GOOD}*",
        f"I{GOOD}",
        f"VIN: {GOOD}",
    ):
        report = vin.examine(typed)
        assert report.vin == GOOD
        assert report.check_right
        assert not report.needs_confirmation


@pytest.mark.parametrize(
    ("wrong", "position"),
    [
        (GOOD.replace("1", "I", 1), 1),
        (GOOD.replace("0", "O", 1), 12),
        (GOOD.replace("0", "Q", 1), 12),
        (GOOD.replace("8", "B", 1), 3),
        (GOOD.replace("G", "6", 1), 4),
    ],
)
def test_a_look_alike_slip_is_named_first(wrong: str, position: int) -> None:
    report = vin.examine(wrong)
    assert report.needs_confirmation
    assert report.suggestions[0].vin == GOOD
    assert report.suggestions[0].positions == (position,)
    assert str(position) in " ".join(report.problems)


def test_two_characters_swapped_are_found() -> None:
    wrong = GOOD[:13] + GOOD[14] + GOOD[13] + GOOD[15:]
    assert GOOD[13] != GOOD[14]
    assert GOOD in [suggestion.vin for suggestion in vin.examine(wrong).suggestions]


def test_a_short_number_is_kept_with_its_reason() -> None:
    report = vin.examine("GX 8841207")
    assert report.vin == "GX8841207"
    assert report.problems[0].startswith("This has 9 characters and a VIN has 17: 8 missing.")
    assert report.check_right is None


@pytest.mark.parametrize("first", "ABJKMNRSVWXYZ6789")
def test_a_region_without_check_digits_is_asked_for_no_confirmation(first: str) -> None:
    """ISO 3779:2009 leaves position 9 to the maker: Z stands there in many numbers."""
    report = vin.examine(first + "ZZCZ43DZ3S812715")
    assert report.check_right is False
    assert not report.needs_confirmation and report.suggestions == ()
    assert vin.examine(first + "ZZCZ43DZ3S81271").needs_confirmation, "a character is missing"
    assert vin.examine(first + "ZZCZ43DZ3SO12715").needs_confirmation, "no VIN has an O"


@pytest.mark.parametrize("first", "12345L")
def test_a_region_with_check_digits_is_held_to_it(first: str) -> None:
    """49 CFR 565.15(c) for North America; GB 16735 for China, from memory."""
    wrong = first + GOOD[1:8] + "Z" + GOOD[9:]
    assert vin.examine(wrong).needs_confirmation and vin.examine(wrong).suggestions
    right = wrong[:8] + vin.check_character(wrong) + wrong[9:]
    assert not vin.examine(right).needs_confirmation


def test_of_two_years_the_likelier_today_comes_first() -> None:
    """A code stands for two years thirty apart: 5 is 2005 and 2035, H is 1987 and 2017."""
    abroad = "WZZ1111Z1{}0000001"
    assert vin.model_years(abroad.format("H"), latest_year=2027) == (2017, 1987)
    assert vin.model_years(abroad.format("5"), latest_year=2027) == (2005,)
    assert vin.model_years(abroad.format("V"), latest_year=2027) == (2027, 1997)
    assert vin.model_years("1ZZ1111Z1H0000001", latest_year=2027) == (1987, 2017)
    assert vin.model_years("1ZZ111AZ1H0000001", latest_year=2027) == (2017, 1987)


@given(st.text(max_size=40))
def test_nothing_typed_is_refused(text: str) -> None:
    report = vin.examine(text)
    assert all(vin.examine(s.vin).check_right for s in report.suggestions)


@given(
    st.text(alphabet=ALLOWED, min_size=17, max_size=17),
    st.integers(0, 16),
    st.sampled_from(ALLOWED),
)
def test_one_wrong_character_is_seen_unless_both_have_the_same_value(
    number: str, place: int, other: str
) -> None:
    """Every weight but that of position 9 is prime to 11, so only equal values go unseen."""
    right = number[:8] + vin.check_character(number) + number[9:]
    if place == 8:
        return
    wrong = right[:place] + other + right[place + 1 :]
    same_value = vin.VALUES[right[place]] == vin.VALUES[other]
    assert vin.examine(wrong).check_right is same_value
