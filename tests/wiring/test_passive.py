"""Passive parts: the ladder against the nodal equations, scipy's filters and textbook values.

[channel] --C or L in series--+--> [driver as a resistance]
                              L or C across
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import signal

from tests.wiring.plans import amplifier
from wiring.channels.levels import guide
from wiring.channels.signal_path import path_filters
from wiring.check import check
from wiring.context import RULES, Context
from wiring.errors import WiringError
from wiring.filters import passive
from wiring.filters.crossovers import analogue_response
from wiring.loads import LoadError, channel_load_ohm, passive_set
from wiring.plan import Channel, Crossover, Passive, PassivePart, Plan, Speaker, dump, load
from wiring.tuning.response import Floats, plan_response

GRID = np.geomspace(20.0, 20_000.0, 61)


def series(**values: float) -> PassivePart:
    return PassivePart("series", **values)


def across(**values: float) -> PassivePart:
    return PassivePart("across", **values)


def second_order(kind: str, corner_hz: float, load_ohm: float, q: float) -> passive.Parts:
    """C = Q / (w R) and L = R / (w Q): the loaded LC circuit, text book (Tietze and Schenk,
    Electronic Circuits, 2nd edition 2008, passive filters, from memory)."""
    w = 2 * math.pi * corner_hz
    c, coil = q / (w * load_ohm), load_ohm / (w * q)
    if kind == "high_pass":
        return series(capacitance_f=c), across(inductance_h=coil)
    return series(inductance_h=coil), across(capacitance_f=c)


def nodal(parts: passive.Parts, load_ohm: float, hz: float) -> tuple[complex, complex]:
    """Voltage at the driver for 1 V in, and the impedance seen, by Y v = i over all nodes."""
    w = 2j * math.pi * hz
    count = 1 + sum(part.place == "series" for part in parts)
    y = np.zeros((count, count), dtype=complex)
    node = 0
    for part in parts:
        z = (
            (part.resistance_ohm or 0.0)
            + w * (part.inductance_h or 0.0)
            + (1 / (w * part.capacitance_f) if part.capacitance_f else 0.0)
        )
        if part.place == "series":
            y[node : node + 2, node : node + 2] += np.array([[1, -1], [-1, 1]]) / z
            node += 1
        else:
            y[node, node] += 1 / z
    y[node, node] += 1 / load_ohm
    forced = np.zeros(count, dtype=complex)
    forced[0] = 1.0
    volts = np.linalg.solve(y, forced)  # 1 A into the first node
    return volts[-1] / volts[0], volts[0]


parts_of_a_branch = st.lists(
    st.builds(
        PassivePart,
        place=st.sampled_from(["series", "across"]),
        capacitance_f=st.none() | st.floats(1e-6, 500e-6),
        inductance_h=st.none() | st.floats(1e-5, 1e-2),
        resistance_ohm=st.floats(0.05, 50),
    ),
    min_size=1,
    max_size=5,
).map(tuple)


@given(parts_of_a_branch, st.floats(1, 16), st.floats(20, 20_000))
@settings(max_examples=150)
def test_any_ladder_agrees_with_the_nodal_equations(
    parts: passive.Parts, load_ohm: float, hz: float
) -> None:
    got = passive.solve(parts, load_ohm, hz)
    gain, impedance = nodal(parts, load_ohm, hz)
    assert got.gain == pytest.approx(gain, rel=1e-6, abs=1e-12)
    assert got.impedance_ohm == pytest.approx(impedance, rel=1e-6)


@pytest.mark.parametrize("kind", ["high_pass", "low_pass"])
def test_textbook_values_are_scipys_butterworth(kind: str) -> None:
    """0.1125 / (R f) and 0.2251 R / f: second order, Q = 0.7071, 3 kHz into 4 ohm."""
    parts = second_order(kind, 3_000.0, 4.0, math.sqrt(0.5))
    c = next(part.capacitance_f for part in parts if part.capacitance_f)
    assert c == pytest.approx(0.1125 / (4 * 3_000), rel=1e-3)
    b, a = signal.butter(2, 2 * math.pi * 3_000, kind.replace("_", ""), analog=True)
    _, expected = signal.freqs(b, a, 2 * math.pi * GRID)
    assert passive.solve(parts, 4.0, GRID).gain == pytest.approx(expected, rel=1e-6)
    (found,) = passive.passive_filters(parts, 4.0)
    assert (found.direction, found.order) == (kind, 2)
    assert found.frequency_hz == pytest.approx(3_000.0, rel=1e-3)


@pytest.mark.parametrize("family", ["butterworth", "bessel", "linkwitz_riley"])
@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
@pytest.mark.parametrize("order", [2, 4])
def test_stated_corners_are_scipys_analogue_filters(family: str, kind: str, order: int) -> None:
    w = 2 * math.pi * 2_500.0
    way = kind.replace("_", "")
    if family == "bessel":
        b, a = signal.bessel(order, w, way, analog=True, norm="mag")
    else:
        half = order if family == "butterworth" else order // 2
        b, a = signal.butter(half, w, way, analog=True)
    _, expected = signal.freqs(b, a, 2 * math.pi * GRID)
    if family == "linkwitz_riley":
        expected = expected**2
    got = analogue_response(Crossover(family, order, 2_500.0), kind, GRID)
    assert got == pytest.approx(expected, rel=1e-6)


def test_one_capacitor_is_six_decibels_an_octave() -> None:
    """C = 1 / (2 pi f R): 6.8 uF before 4 ohm is 5851 Hz; padding moves level, not the corner."""
    (found,) = passive.passive_filters((series(capacitance_f=6.8e-6),), 4.0)
    assert found.frequency_hz == pytest.approx(1 / (2 * math.pi * 6.8e-6 * 4.0), rel=2e-3)
    assert found.order == 1
    assert found.level_db(5_851.0) == pytest.approx(-3.01, abs=0.02)
    pad = (series(resistance_ohm=2.0), across(resistance_ohm=4.0))
    assert passive.passive_filters(pad, 4.0) == ()
    assert passive.gain_db(pad, 4.0, 1_000.0) == pytest.approx(20 * math.log10(0.5), abs=1e-6)


def test_preferred_values() -> None:
    """IEC 60063:2015, Table 1, from memory: 24 steps a decade, each 10^(1/24) within 5 %."""
    assert len(passive.E24) == 24
    assert set(passive.E12) == set(passive.E24[::2])
    for low, high in pairwise((*passive.E24, 10.0)):
        assert high / low == pytest.approx(10 ** (1 / 24), rel=0.06)
    assert passive.preferred(9.38e-6) == pytest.approx(9.1e-6)
    assert passive.preferred(0.98) == 1.0
    assert passive.is_preferred(0.33e-3)
    assert not passive.is_preferred(4.9e-6)


TWEETER = second_order("high_pass", 3_000.0, 4.0, math.sqrt(0.5))
WOOFER = second_order("low_pass", 3_000.0, 4.0, math.sqrt(0.5))


def two_way(
    tweeter: Passive | None, woofer: Passive | None, *, bi_amped: bool = False, **channel: object
) -> Plan:
    """[amp ch 1] --> passive crossover --> tweeter and midbass; bi-amped: a channel each."""
    speakers = (
        Speaker("t", "Tweeter", "tweeter", "front_pillar_left", 4.0, power_w=60.0, passive=tweeter),
        Speaker("m", "Midbass", "midbass", "front_door_left", 4.0, power_w=60.0, passive=woofer),
    )
    if bi_amped:
        channels = tuple(
            Channel(f"a.{n}", "a", "amplifier", n, (one.id,)) for n, one in enumerate(speakers, 1)
        )
    else:
        channels = (Channel("a.1", "a", "amplifier", 1, ("t", "m"), "parallel", **channel),)
    return Plan(
        devices=(amplifier("a", 2, input_from="factory_line"),),
        speakers=speakers,
        channels=channels,
    )


SET = two_way(Passive(TWEETER, inverted=True), Passive(WOOFER))


def rules(plan: Plan) -> dict[str, str]:
    """Findings on the tuning, notes left out."""
    return {
        f.rule: f.severity
        for f in check(plan)
        if f.severity != "note" and RULES[f.rule].section == "tuning"
    }


def test_a_set_counts_as_its_drivers_nominal_load_and_each_gets_the_power_in_its_band() -> None:
    """Each branch is 4 ohm in its own band: together 4 ohm, not 2."""
    context = Context(SET)
    assert context.load_ohm["a.1"] == 4.0
    behind = passive_set(context.speakers, context.channels["a.1"])
    assert behind is not None
    assert behind.shares == pytest.approx((1.0, 1.0), abs=0.02)
    assert guide(SET).channels[0].power_w == pytest.approx(60.0, rel=0.01)
    bare = two_way(None, None)
    assert Context(bare).load_ohm["a.1"] == 2.0


def test_a_capacitor_alone_leaves_the_full_range_speaker_its_load() -> None:
    """Full range beside a tweeter with a capacitor: above the corner both are there, near 2 ohm."""
    context = Context(two_way(Passive((series(capacitance_f=10e-6),)), None))
    at_the_top = 1 / (1 / 4 + 1 / (4 + 1 / (2j * math.pi * 20_000 * 10e-6)))
    assert context.load_ohm["a.1"] == pytest.approx(abs(at_the_top), rel=1e-3)


def test_corners_alone_give_the_same_load_within_the_dip_a_nominal_value_may_have() -> None:
    stated = two_way(
        Passive(high_pass=Crossover("butterworth", 2, 3_000.0)),
        Passive(low_pass=Crossover("butterworth", 2, 3_000.0)),
    )
    assert Context(stated).load_ohm["a.1"] == 4.0


def test_branches_in_series_are_refused_and_the_makers_load_comes_first() -> None:
    context = Context(SET)
    wrong = Channel("x", "a", "amplifier", 1, ("t", "m"), "series")
    with pytest.raises(LoadError, match="side by side"):
        channel_load_ohm(context.speakers, wrong)
    stated = two_way(Passive(TWEETER), Passive(WOOFER), stated_load_ohm=3.2)
    assert Context(stated).load_ohm["a.1"] == 3.2


def test_the_response_of_the_channel_is_what_its_branches_let_through() -> None:
    """Second order, one inverted: (1 - s^2) / (s^2 + sqrt(2) s + 1), +3.01 dB at the corner and
    26 / |-24 + j 7.07| = +0.334 dB at five times it."""
    grid = np.array([100.0, 3_000.0, 15_000.0])
    levels = plan_response(SET, grid).channels["a.1"].magnitude_db
    assert levels == pytest.approx([0.01, 3.01, 0.334], abs=0.005)
    straight = two_way(Passive(TWEETER), Passive(WOOFER))
    assert plan_response(straight, grid).channels["a.1"].magnitude_db[1] < -40
    place = plan_response(SET, grid).places["front_left"].magnitude_db
    assert place == pytest.approx(levels)


def test_protection_counts_passive_parts() -> None:
    assert rules(SET) == {}
    small = (series(capacitance_f=100e-6),)
    assert rules(two_way(Passive(small, inverted=True), Passive(WOOFER)))["driver-high-pass"] == (
        "stop"
    )
    assert "driver-high-pass" in rules(two_way(None, Passive(WOOFER)))
    assert "passive-unknown" in rules(two_way(Passive(), Passive(WOOFER)))


def test_a_second_order_set_not_inverted_cancels() -> None:
    assert rules(two_way(Passive(TWEETER), Passive(WOOFER))) == {"crossover-cancels": "caution"}


def test_a_bi_amped_set_is_judged_the_same() -> None:
    plan = two_way(Passive(TWEETER, inverted=True), Passive(WOOFER), bi_amped=True)
    assert rules(plan) == {}
    context = Context(plan)
    assert (context.load_ohm["a.1"], context.load_ohm["a.2"]) == pytest.approx((4.0, 4.0))
    (found,) = path_filters(context, context.channels["a.1"], "high_pass", context.speakers["t"])
    assert found.frequency_hz == pytest.approx(3_000.0, rel=1e-3)
    bare = two_way(Passive(TWEETER), Passive(WOOFER), bi_amped=True)
    assert rules(bare) == {"crossover-cancels": "caution"}


def test_a_part_needs_a_value_and_a_plan_with_parts_is_read_back() -> None:
    with pytest.raises(ValueError, match="capacitance"):
        PassivePart("series")
    assert load(dump(SET)) == SET


@pytest.mark.parametrize("load_ohm", [0.0, float("nan"), 1e-300])
def test_a_load_that_is_none_is_refused(load_ohm: float) -> None:
    with pytest.raises(WiringError, match="load_ohm"):
        passive.solve(TWEETER, load_ohm, 1_000.0)


def test_an_array_of_frequencies_must_be_numbers() -> None:
    bad: Floats = np.array([100.0, np.nan])
    with pytest.raises(WiringError, match="frequencies_hz"):
        passive.solve(TWEETER, 4.0, bad)
