"""Passive parts written in a line: read as they are meant, and written so that they come back."""

import pytest
from hypothesis import given, strategies as st

from wiring.filters.crossovers import exists
from wiring.filters.passive_text import PassiveTextError, passive_text, read_passive
from wiring.plan import Crossover, Passive, PassivePart

C = PassivePart("series", capacitance_f=9.1e-6)
L = PassivePart("across", inductance_h=3e-4)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("", None),
        ("6.8 µF", Passive((PassivePart("series", capacitance_f=6.8e-6),))),
        ("6,8 uF", Passive((PassivePart("series", capacitance_f=6.8e-6),))),
        ("9.1µF, 0.3mH across", Passive((C, L))),
        ("9,1 µF; 0,3 mH across; reversed", Passive((C, L), inverted=True)),
        (
            "0.33 mH + 0.2 Ω, 10 ohm + 4.7 µF across",
            Passive(
                (
                    PassivePart("series", inductance_h=3.3e-4, resistance_ohm=0.2),
                    PassivePart("across", capacitance_f=4.7e-6, resistance_ohm=10.0),
                )
            ),
        ),
        ("high-pass 3000 Hz 12 dB/oct", Passive(high_pass=Crossover("butterworth", 2, 3_000.0))),
        (
            "High pass 3 kHz Linkwitz-Riley 24 dB, low pass 12kHz",
            Passive(
                high_pass=Crossover("linkwitz_riley", 4, 3_000.0),
                low_pass=Crossover("butterworth", 1, 12_000.0),
            ),
        ),
        ("not known", Passive()),
        ("not known, reversed", Passive(inverted=True)),
    ],
)
def test_a_line_is_read_as_meant(text: str, meant: Passive | None) -> None:
    assert read_passive(text) == meant
    assert read_passive(passive_text(meant)) == meant


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("capacitor", "no passive part"),
        ("6.8", "no passive part"),
        ("6.8 V", "no passive part"),
        ("6.8 µF + 4.7 µF", "two values"),
        ("0 µF", "no value"),
        ("9.1 µF, high-pass 3 kHz", "do not go together"),
        ("high-pass 3 kHz 13 dB", "no corner"),
        ("high-pass 3 kHz linkwitz-riley 18 dB", "12, 24, 36 or 48"),
        ("high-pass 3 kHz, high-pass 4 kHz", "twice"),
        (", ".join(["1 µF"] * 13), "more than 12"),
    ],
)
def test_what_names_no_parts_is_refused_with_the_piece(text: str, says: str) -> None:
    with pytest.raises(PassiveTextError, match=says):
        read_passive(text)


figures = st.integers(1, 9_999).map(lambda n: n / 100)
some_parts = st.builds(
    lambda place, c, coil, r: PassivePart(
        place,
        capacitance_f=None if c is None else float(f"{c:.12g}e-6"),
        inductance_h=None if coil is None else float(f"{coil:.12g}e-3"),
        resistance_ohm=r,
    ),
    st.sampled_from(["series", "across"]),
    st.none() | figures,
    st.none() | figures,
    figures,
)
some_corners = st.builds(
    Crossover,
    st.sampled_from(["butterworth", "linkwitz_riley", "bessel"]),
    st.integers(1, 8),
    st.integers(20, 20_000).map(float),
).filter(lambda one: exists(one.family, one.order))


@given(
    st.builds(Passive, parts=st.lists(some_parts, max_size=6).map(tuple), inverted=st.booleans())
    | st.builds(
        Passive,
        high_pass=st.none() | some_corners,
        low_pass=st.none() | some_corners,
        inverted=st.booleans(),
    )
)
def test_what_is_written_comes_back(own: Passive) -> None:
    assert read_passive(passive_text(own)) == own
    assert passive_text(read_passive(passive_text(own))) == passive_text(own)
