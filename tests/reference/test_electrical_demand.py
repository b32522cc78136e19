"""Demand and batteries against text-book amplifier theory and handbook battery figures."""

from math import pi

import pytest

from tests.wiring.plans import amplifier, good_plan, supplied
from wiring.context import Context
from wiring.plan import Channel, Plan, Rating, Speaker
from wiring.power.charging import (
    capacity_at_ah,
    days_parked,
    peukert_hours,
    report,
    state_of_charge,
)
from wiring.power.demand import device_demand, music_power_w


def one_channel(**more: object) -> Context:
    """[amp, 1 channel, rated into 4 ohm] --> [4 ohm speaker]"""
    device = amplifier("amp", 1, ratings=(Rating(4.0, 400.0),), **more)
    return Context(
        Plan(
            devices=(device,),
            speakers=(Speaker("s", "Speaker", "woofer", "front_door_left", 4.0),),
            channels=(Channel("c", "amp", "amplifier", 1, speakers=("s",)),),
        )
    )


def test_full_output_current() -> None:
    """P / (efficiency x U): 400 W at 55 % on 14.4 V is 50.505 A."""
    context = one_channel(efficiency=0.55, idle_current_a=0.0)
    found = device_demand(context, context.devices["amp"])
    assert found.current_a("full", 14.4) == pytest.approx(50.505, rel=0.001)


def test_class_b_at_a_quarter_of_its_power() -> None:
    """Text book: efficiency (pi / 4) sqrt(P / Pmax), so 39.27 % at a quarter."""
    full_in = 100.0 / (pi / 4)
    assert 25.0 / music_power_w("B", full_in, 0.0, 0.25) == pytest.approx(0.3927, abs=0.0005)


@pytest.mark.parametrize("amplifier_class", ["A", "AB", "B", "D", "G", "H", ""])
def test_music_lies_between_idle_and_full(amplifier_class: str) -> None:
    previous = 0.0
    for duty in (1e-9, 0.01, 0.125, 0.5, 1.0):
        found = music_power_w(amplifier_class, 500.0, 20.0, duty)
        assert 20.0 <= previous <= found <= 500.0 or previous == 0.0
        previous = found
    assert music_power_w(amplifier_class, 500.0, 20.0, 1.0) == pytest.approx(500.0)


@pytest.mark.parametrize(("rest_v", "charge"), [(12.65, 1.0), (12.24, 0.5), (11.89, 0.0)])
def test_state_of_charge(rest_v: float, charge: float) -> None:
    """Handbook figures for flooded lead-acid at 27 degC, from memory."""
    assert state_of_charge(rest_v, "flooded", 27.0) == pytest.approx(charge, abs=1e-9)


@pytest.mark.parametrize(
    ("capacity_ah", "current_a", "hours"), [(100.0, 5.0, 20.0), (60.0, 10.0, 4.716)]
)
def test_peukert(capacity_ah: float, current_a: float, hours: float) -> None:
    """t = 20 (C / (20 I))^1.2: at the 20-hour current just 20 h."""
    assert peukert_hours(capacity_ah, current_a, 1.2) == pytest.approx(hours, rel=0.005)


def test_reserve_capacity_is_believable() -> None:
    """SAE J537 tests at 25 A; a 70 Ah battery is sold as about 120 min (common practice)."""
    assert peukert_hours(70.0, 25.0, 1.2) * 60 == pytest.approx(120, rel=0.15)


def test_battery_limits() -> None:
    assert peukert_hours(70.0, 0.05, 1.2) == pytest.approx(70.0 / 0.05)
    assert days_parked(30.0, 0.0) == float("inf")
    assert days_parked(24.0, 1.0) == pytest.approx(1.0)
    assert capacity_at_ah(70.0, 27.0) == 70.0 == capacity_at_ah(70.0, 60.0)
    assert capacity_at_ah(70.0, -18.0) == pytest.approx(35.0)
    assert state_of_charge(12.5, "flooded", 0.0) > state_of_charge(12.5, "flooded", 27.0)


def test_charging_balance() -> None:
    """150 A alternator, 35 A base load, the music; idle has 70 A less."""
    made = report(good_plan())
    assert made.cruise_balance_a is not None and made.idle_balance_a is not None
    assert made.cruise_balance_a == pytest.approx(150 - 35 - made.music_a)
    assert made.cruise_balance_a - made.idle_balance_a == pytest.approx(70.0)
    assert made.key_off_added_a == pytest.approx(0.007)
    added = next(one for one in made.figures if one.label.startswith("key-off draw added"))
    assert (added.value, added.unit) == (pytest.approx(7.0), "mA")
    more = report(supplied(good_plan(), key_off_after_a=0.2))
    assert made.days is not None and more.days is not None and more.days < made.days / 4


def test_nothing_is_made_up_from_nothing() -> None:
    made = report(Plan())
    assert made.music_a == 0.0
    assert made[2:9] == (None,) * 7


@pytest.mark.parametrize(
    "call",
    [
        lambda: state_of_charge(24.0),
        lambda: state_of_charge(12.5, "lead"),
        lambda: state_of_charge(12.5, "agm", 200.0),
        lambda: peukert_hours(0.0, 1.0, 1.2),
        lambda: peukert_hours(70.0, 0.0, 1.2),
        lambda: peukert_hours(70.0, 1.0, 0.5),
        lambda: days_parked(-1.0, 1.0),
        lambda: capacity_at_ah(70.0, -60.0),
    ],
)
def test_outside_validity_is_refused(call) -> None:
    with pytest.raises(ValueError, match=":") as caught:
        call()
    assert caught.value.field and caught.value.reason
