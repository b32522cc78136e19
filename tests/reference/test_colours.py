"""Wire colours against IEC 60757:2021, Table 1 (list read in GOST 28763-90, identical)."""

import pytest

from wiring import colours


def test_codes_are_those_of_the_standard() -> None:
    table = "BK BN RD OG YE GN BU VT GY WH PK GD TQ SR GNYE"
    assert " ".join(colours.CODES) == table
    assert set(colours.SWATCHES) == set(colours.CODES)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("RD/BK", ("RD", "BK")),
        ("red with black stripe", ("RD", "BK")),
        ("Violet", ("VT", "")),
        ("rdbk", ("RD", "BK")),
        ("GNYE", ("GNYE", "")),
        ("sw/rt", ("BK", "RD")),
        ("plaid", None),
        ("red blue green", None),
        ("", None),
    ],
)
def test_reading_what_people_write(typed: str, meant: tuple[str, str] | None) -> None:
    assert colours.read(typed) == meant


def test_base_and_stripe_are_kept_apart() -> None:
    assert colours.describe("RD", "BK") != colours.describe("BK", "RD")
    assert colours.describe("RD", "BK") == "red with black stripe (RD/BK)"


def test_an_unknown_code_says_which_is_meant() -> None:
    found = colours.problem("BL")
    assert found is not None
    assert (found.kind, found.suggestion) == ("unknown", "BU")
    assert colours.problem("RD", "BK") is None


@pytest.mark.parametrize(("base", "stripe"), [("GN", "YE"), ("YE", "GN"), ("GNYE", "")])
def test_green_with_yellow_is_told(base: str, stripe: str) -> None:
    """IEC 60757:2021 clause 5.1 and IEC 60445 keep the pair for the protective conductor."""
    found = colours.problem(base, stripe)
    assert found is not None
    assert found.kind == "green_yellow"
