"""What a processor's program takes: lines of the catalogue, read, refused and kept."""

from typing import Any

import pytest

from shop.catalogue.columns import cell_of, columns_for, guess, heading_of, read_cell
from shop.catalogue.product_forms import ProductForm
from shop.models import Product, ProductKind
from shop.models.products import LIMIT_FIELDS
from shop.program_limits import MOST_VALUES, WrongLimits, kinds_in, range_in, slopes_in
from wiring.filters.crossovers import FAMILY_NAMES, exists

pytestmark = pytest.mark.django_db

LIMITS: dict[str, Any] = {
    "typed_by": "setting",
    "level_steps": "-60 to 6 step 0.5",
    "delay_unit": "cm",
    "delay_steps": "0 to 500 step 1",
    "delay_speed_m_s": 340.0,
    "crossover_steps": "20 to 200 step 1; 200 to 20000 step 50",
    "crossover_slopes": "Butterworth 12 18 24; Linkwitz-Riley 12 24",
    "section_steps": "20 to 20000",
    "section_gain_steps": "-15 to 6 step 0.5",
    "width_counted": "octaves",
    "section_width_steps": "0.1; 0.33; 0.5; 1; 2",
    "section_kinds": "peak, low shelf, high shelf",
}
BASICS: dict[str, Any] = {"maker": "Oskerry", "name": "Tiller", "turn_on": "not_needed"}
BASICS |= {"line_outputs": 8, "line_inputs": 6, "sample_rate_hz": 96_000}


def _form(**typed: Any) -> ProductForm:
    return ProductForm({**BASICS, **typed}, kind=ProductKind.PROCESSOR)


@pytest.mark.parametrize(
    ("typed", "low", "high", "step", "values"),
    [
        ("-60 to 6 step 0,5", -60, 6, 0.5, ()),
        ("−60 to 6, in steps of 0.5", -60, 6, 0.5, ()),
        ("-60 bis 6, Schritt 0,5", -60, 6, 0.5, ()),
        ("-60 a 6 en pasos de 0,5", -60, 6, 0.5, ()),
        ("-60..6", -60, 6, None, ()),
        ("0,5; 0,7; 1", 0.5, 1, None, (0.5, 0.7, 1.0)),
        ("1, 0.7, 0.5, 0.7", 0.5, 1, None, (0.5, 0.7, 1.0)),
        ("0 to 1 step 0.1; 2", 0, 2, None, (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 2)),
        ("5", 5, 5, None, (5.0,)),
    ],
)  # fmt: skip
def test_a_line_of_numbers_is_read(
    typed: str, low: float, high: float, step: float | None, values: tuple[float, ...]
) -> None:
    assert range_in(typed, -100, 100) == (low, high, step, values)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("6 to -60", "ends below"),
        ("-600 to 6", "look at its unit"),
        ("-60 x 6", "Write such as"),
        ("0.1,0.2", "Write such as"),
        ("1 to 2 step 0", "above 0"),
        ("1 to 2; 3", "needs its step"),
        ("0 to 1 step 0.0001; 2", f"More than {MOST_VALUES}"),
        ("1e9", "Write such as"),
        ("nan", "Write such as"),
        ("9" * 400, "look at its unit"),
    ],
)
def test_what_is_no_line_of_numbers_says_what_to_write(typed: str, said: str) -> None:
    with pytest.raises(WrongLimits, match=said):
        range_in(typed, -100, 100)
    form = _form(level_steps=typed)
    assert list(form.errors) == ["level_steps"] and form["level_steps"].value() == typed


def test_filters_and_kinds_are_read_by_their_names() -> None:
    assert slopes_in("Linkwitz Riley 24 dB/oct, 12; BUTTERWORTH 6/18") == (
        ("linkwitz_riley", (12, 24)), ("butterworth", (6, 18)),
    )  # fmt: skip
    assert kinds_in("Peaking; low-shelf, all pass") == ("peaking", "low_shelf", "all_pass")
    for wrong in ("Bessel", "Linkwitz-Riley 18", "Chebyshev 24", "Bessel 12; Bessel 24"):
        with pytest.raises(WrongLimits):
            slopes_in(wrong)
    with pytest.raises(WrongLimits, match="peak, low shelf"):
        kinds_in("comb")


@pytest.mark.parametrize("family", FAMILY_NAMES)
def test_a_family_takes_the_slopes_that_exist(family: Any) -> None:
    for order in range(1, 9):
        line = f"{FAMILY_NAMES[family]} {6 * order}"
        if exists(family, order):
            assert slopes_in(line) == ((family, (6 * order,)),)
        else:
            with pytest.raises(WrongLimits):
                slopes_in(line)


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"delay_unit": "", "delay_speed_m_s": ""}, "delay_unit"),
        ({"delay_unit": "ms"}, "delay_speed_m_s"),
        ({"delay_unit": "samples", "delay_speed_m_s": "", "sample_rate_hz": ""}, "sample_rate_hz"),
        ({"width_counted": ""}, "width_counted"),
        ({"delay_step_ms": "0.02"}, "delay_step_ms"),
    ],
)
def test_what_a_figure_hangs_on_is_asked_for(changes: dict[str, Any], wrong: str) -> None:
    assert list(_form(**{**LIMITS, **changes}).errors) == [wrong]
    assert not _form(**LIMITS).errors


def test_limits_are_kept_in_one_form_and_a_file_brings_them_back() -> None:
    form = _form(**{**LIMITS, "level_steps": "−60 to 6, steps of 0,5", "section_kinds": "PEAK"})
    product = form.save()
    assert (product.level_steps, product.section_kinds) == ("-60 to 6 step 0.5", "peak")
    assert product.has_limits and not Product(kind=ProductKind.PROCESSOR).has_limits
    for name in LIMIT_FIELDS:
        assert name in columns_for(ProductKind.PROCESSOR) and guess(heading_of(name)) == name
        cell = cell_of(product, name)
        back = read_cell(name, str(cell))
        assert str(getattr(product, name)) in (back, f"{float(back):.1f}" if cell == 340 else back)
