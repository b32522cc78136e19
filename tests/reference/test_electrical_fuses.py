"""Fuses and short circuits against IEC 60364-5-54, ISO 8820 and 33 CFR 183.455."""

from itertools import pairwise

import pytest

from wiring.power.fuses import (
    BODIES,
    adiabatic_current_a,
    adiabatic_k,
    adiabatic_k_between,
    body,
    opens_by_s,
    rating_at_ambient_a,
    short_circuit_a,
)
from wiring.rules.fuses import MARINE_ALLOWANCE, MARINE_BARE_M, MARINE_SHEATHED_M


@pytest.mark.parametrize(
    ("metal", "initial_c", "final_c", "k"),
    [
        ("copper", 70, 160, 115),
        ("copper", 90, 160, 100),
        ("copper", 90, 250, 143),
        ("copper_clad_aluminium", 70, 160, 76),
        ("copper_clad_aluminium", 90, 250, 94),
    ],
)
def test_adiabatic_constant(metal: str, initial_c: float, final_c: float, k: float) -> None:
    """BS 7671 table 43.1 and IEC 60364-5-54 table A.54: PVC and cross-linked, copper, aluminium.

    The tables round to whole numbers; 143 and 94 are from memory, the rest read in a reprint.
    """
    assert adiabatic_k_between(metal, initial_c, final_c) == pytest.approx(k, rel=0.01)


def test_adiabatic_identity() -> None:
    """k^2 S^2 = I^2 t, and hotter insulation has less room left until its limit."""
    k = adiabatic_k("copper", 90.0)
    current = adiabatic_current_a(k, 10.0, 0.5)
    assert current**2 * 0.5 == pytest.approx(k**2 * 10.0**2)
    assert adiabatic_k("copper", 60.0) > adiabatic_k("copper", 90.0) > adiabatic_k("copper", 105.0)


def test_blade_scope() -> None:
    """ISO 8820-3:2015 scope: rated at most 100 A, breaking capacity 1000 A (read)."""
    for name in ("mini blade", "blade", "large blade"):
        assert max(BODIES[name].ratings_a) <= 100
        assert BODIES[name].breaking_a == 1000


@pytest.mark.parametrize(
    ("name", "multiple", "earliest_s", "latest_s"),
    [
        ("blade", 1.35, 0.75, 600),
        ("blade", 2.0, 0.15, 5),
        ("large blade", 2.0, 2, 60),
        ("large blade", 6.0, 0.04, 1),
    ],
)
def test_time_current_gates(name: str, multiple: float, earliest_s: float, latest_s: float) -> None:
    """ISO 8820-3 types C and E, from memory; two makers' data sheets of blade fuses, read on
    25 November 2026, print the same."""
    kind = body(name)
    rating = kind.ratings_a[-1]
    gate = next(one for one in kind.gates if one.multiple == multiple)
    assert gate.opens_not_before_s == earliest_s
    assert opens_by_s(kind, rating, multiple * rating) == pytest.approx(latest_s)


@pytest.mark.parametrize("name", BODIES)
def test_opening_times_hang_together(name: str) -> None:
    """More current never opens later; no gate opens before it may."""
    kind = body(name)
    multiples = [1.0 + step / 20 for step in range(300)]
    latest = [opens_by_s(kind, 30.0, 30.0 * each) for each in multiples]
    for first, second in pairwise(latest):
        assert second <= first
    assert all(gate.opens_not_before_s <= gate.opens_by_s for gate in kind.gates)
    assert latest[0] == float("inf")


def test_let_through_beyond_the_last_gate_is_constant() -> None:
    kind = body("bolt-in 30 mm")
    energies = [(m * 100) ** 2 * opens_by_s(kind, 100.0, m * 100) for m in (6.0, 9.0, 20.0)]
    assert energies == pytest.approx([energies[0]] * 3)


@pytest.mark.parametrize("name", BODIES)
def test_standard_ratings(name: str) -> None:
    kind = body(name)
    assert list(kind.ratings_a) == sorted(set(kind.ratings_a))


def test_blade_ratings() -> None:
    """ISO 8820-3 type C and SAE J1284, from memory."""
    assert body(" Blade ").ratings_a == (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40)


def test_marine_rule_book() -> None:
    """33 CFR 183.455: 7 in, 40 in sheathed; and 150 % of the conductor under 50 V."""
    assert pytest.approx(7 * 0.0254, abs=0.0005) == MARINE_BARE_M
    assert pytest.approx(40 * 0.0254, abs=0.0005) == MARINE_SHEATHED_M
    assert MARINE_ALLOWANCE == 1.5


def test_limits() -> None:
    assert rating_at_ambient_a(100.0, 23.0) == 100.0
    assert rating_at_ambient_a(100.0, -10.0) == 100.0
    assert rating_at_ambient_a(100.0, 70.0) < 100.0
    assert short_circuit_a(12.6, 0.0063) == pytest.approx(2000.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: body("unknown body"),
        lambda: short_circuit_a(12.0, 0.0),
        lambda: rating_at_ambient_a(10.0, 200.0),
        lambda: adiabatic_current_a(100.0, 10.0, 6.0),
        lambda: adiabatic_current_a(100.0, 0.0, 1.0),
        lambda: adiabatic_k("silver", 70.0),
        lambda: adiabatic_k_between("copper", 160.0, 160.0),
        lambda: opens_by_s(BODIES["blade"], 0.0, 10.0),
    ],
)
def test_outside_validity_is_refused(call) -> None:
    with pytest.raises(ValueError, match=":") as caught:
        call()
    assert caught.value.field and caught.value.reason
