"""A channel plan carried over to other devices: nothing is lost without a word.

[A1, six channels] --1..6--> three pairs          [A1, four channels] --1..4--> two pairs
                                         becomes                     the third pair shares a
                                                                     channel, or it is said why
"""

import math

import pytest
from hypothesis import given, strategies as st

from wiring.channels.mapping import Carried, carried_levels, propose
from wiring.plan import Channel, Crossover, Device, Plan, Rating, Setting, Speaker

PAIRS = ("front_dash", "front_door", "rear_door", "front_pillar", "front_seat")
KINDS = ("tweeter", "midrange", "coaxial")
HIGH = Crossover("linkwitz_riley", 4, 3000.0)


def amplifier(name: str, channels: int, **more: object) -> Device:
    known = {"min_load_ohm": 2.0, "ratings": (Rating(4, 75), Rating(2, 110))}
    return Device(
        id=name, name=name, kind="amplifier", amplifier_channels=channels, **{**known, **more}
    )


def speaker(number: int, place: str, kind: str, ohm: float = 4.0) -> Speaker:
    return Speaker(id=f"SP{number}", name=kind, kind=kind, position=place, impedance_ohm=ohm)


def all_said(old: Plan, carried: Carried) -> None:
    """Each old speaker is covered once or has a reason, each new channel is used by one only."""
    ids = {one.id for one in old.speakers}
    assert carried.covered.keys() | carried.uncovered.keys() == ids
    assert not carried.covered.keys() & carried.uncovered.keys()
    assert all(carried.uncovered.values())
    for one in carried.placements.values():
        assert one.target or one.why
    alone = [one.target for one in carried.placements.values() if one.target and not one.joins]
    assert len(alone) == len(set(alone))
    pairs = [
        (one.device, number)
        for one in carried.placements.values()
        if one.device and one.kind == "amplifier" and not one.joins
        for number in (one.number, one.bridged_with)
        if number is not None
    ]
    assert len(pairs) == len(set(pairs))
    assert not set(alone) & set(carried.free)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Some amplifiers, some of their channels feeding one speaker or a bridged one."""
    devices, channels, speakers = [], [], []
    for name in ("A1", "A2")[: draw(st.integers(1, 2))]:
        count = draw(st.integers(1, 6))
        pairs = tuple((n, n + 1) for n in range(1, count, 2)) if draw(st.booleans()) else ()
        devices.append(amplifier(name, count, bridgeable=pairs))
        taken: set[int] = set()
        for number in range(1, count + 1):
            if number in taken or not draw(st.booleans()):
                continue
            bridged = None
            if (number, number + 1) in pairs and draw(st.booleans()):
                bridged = number + 1
                taken.add(bridged)
            side = draw(st.sampled_from(("left", "right")))
            one = speaker(
                len(speakers) + 1,
                f"{draw(st.sampled_from(PAIRS))}_{side}",
                draw(st.sampled_from(KINDS)),
                draw(st.sampled_from((2.0, 4.0, 8.0))),
            )
            speakers.append(one)
            channels.append(
                Channel(
                    id=f"{name}.{number}",
                    device=name,
                    kind="amplifier",
                    number=number,
                    speakers=(one.id,),
                    bridged_with=bridged,
                    setting=Setting(high_pass=HIGH if one.kind == "tweeter" else None),
                )
            )
    return Plan(devices=tuple(devices), speakers=tuple(speakers), channels=tuple(channels))


@given(old=plans(), data=st.data())
def test_every_old_speaker_is_covered_once_or_has_a_reason(old: Plan, data: st.DataObject) -> None:
    new = [
        amplifier(
            f"N{n}",
            data.draw(st.integers(0, 7)),
            bridgeable=((1, 2),) if data.draw(st.booleans()) else (),
            min_load_ohm=data.draw(st.sampled_from((None, 1.0, 2.0, 4.0))),
        )
        for n in range(data.draw(st.integers(0, 3)))
    ]
    ids = [one.id for one in new]
    stands_for = {
        device.id: (ids[n] if n < len(ids) and data.draw(st.booleans()) else None)
        for n, device in enumerate(old.devices)
    }
    here = {one.id: one for one in old.speakers if data.draw(st.booleans())}
    all_said(old, propose(old, new, stands_for, here))


@given(old=plans())
def test_the_same_devices_give_the_same_plan(old: Plan) -> None:
    carried = propose(
        old,
        old.devices,
        {one.id: one.id for one in old.devices},
        {one.id: one for one in old.speakers},
    )
    all_said(old, carried)
    assert carried.uncovered == {}
    for channel in old.channels:
        assert carried.placements[channel.id].target == channel.id
        assert carried.placements[channel.id].bridged_with == channel.bridged_with
        assert not carried.placements[channel.id].other
    same = Plan(devices=old.devices, speakers=old.speakers, channels=old.channels)
    assert carried_levels(old, same, [(one.id, one.id) for one in old.channels]) == {}


def six() -> Plan:
    """Tweeters on 1 and 2, coaxials in the front doors on 3 and 4, in the rear on 5 and 6."""
    rows = [
        ("front_dash_left", "tweeter"),
        ("front_dash_right", "tweeter"),
        ("front_door_left", "coaxial"),
        ("front_door_right", "coaxial"),
        ("rear_door_left", "coaxial"),
        ("rear_door_right", "coaxial"),
    ]
    speakers = tuple(speaker(n, place, kind) for n, (place, kind) in enumerate(rows, 1))
    channels = tuple(
        Channel(
            id=f"A1.{n}",
            device="A1",
            kind="amplifier",
            number=n,
            speakers=(f"SP{n}",),
            setting=Setting(high_pass=HIGH if n < 3 else None, level_db=-2.0),
        )
        for n in range(1, 7)
    )
    return Plan(devices=(amplifier("A1", 6),), speakers=speakers, channels=channels)


def carry(new: list[Device], stands: str | None = "A1") -> Carried:
    old = six()
    carried = propose(old, new, {"A1": stands}, {one.id: one for one in old.speakers})
    all_said(old, carried)
    return carried


def test_fewer_channels_join_like_speakers_of_one_side_where_the_load_allows() -> None:
    carried = carry([amplifier("A1", 4)])
    assert carried.uncovered == {}
    assert {key: carried.placements[key].joins for key in ("A1.5", "A1.6")} == {
        "A1.5": "A1.3",
        "A1.6": "A1.4",
    }
    high = carry([amplifier("A1", 4, min_load_ohm=4.0)])
    assert high.uncovered.keys() == {"SP5", "SP6"}
    assert "no channel is left" in high.uncovered["SP5"]


def test_a_second_amplifier_takes_what_the_first_has_no_room_for() -> None:
    carried = carry([amplifier("A1", 4), amplifier("A2", 2)])
    assert carried.covered["SP5"] == "A2.1"
    assert carried.covered["SP6"] == "A2.2"
    assert carried.free == ()


def test_more_channels_stay_free() -> None:
    assert carry([amplifier("A1", 8)]).free == ("A1.7", "A1.8")


def test_a_bridged_channel_without_a_pair_is_said() -> None:
    sub = Speaker(id="SP1", name="Sub", kind="subwoofer", position="boot_centre", impedance_ohm=4.0)
    channel = Channel(
        id="A1.1", device="A1", kind="amplifier", number=1, speakers=("SP1",), bridged_with=2
    )
    old = Plan(
        devices=(amplifier("A1", 2, bridgeable=((1, 2),)),), speakers=(sub,), channels=(channel,)
    )
    carried = propose(old, [amplifier("B1", 2)], {"A1": "B1"}, {"SP1": sub})
    assert carried.placements["A1.1"].bridged_with is None
    assert any("no pair left to bridge" in why for why in carried.placements["A1.1"].why)


def test_levels_keep_the_balance_where_one_channel_got_more_power() -> None:
    """Twice the power is 10 log10(2) = 3.0103 dB (the decibel of a power ratio, IEC 60027-3:2002,
    clause 4): the channel that got it goes down by so much, the other keeps its level."""
    old = six()
    strong = (Rating(4, 150), Rating(2, 220))
    devices = (amplifier("A1", 4), amplifier("A2", 2, ratings=strong))
    carried = carry(list(devices))
    channels = tuple(
        Channel(
            id=place.target or "",
            device=place.device or "",
            kind="amplifier",
            number=place.number or 1,
            speakers=(f"SP{key[-1]}",),
        )
        for key, place in carried.placements.items()
    )
    new = Plan(devices=devices, speakers=old.speakers, channels=channels)
    found = carried_levels(
        old, new, [(key, place.target or "") for key, place in carried.placements.items()]
    )
    assert found.keys() == {"A1.5", "A1.6"}
    assert found["A1.5"].level_db == pytest.approx(-2.0 - 10 * math.log10(2), abs=0.05)
    assert "150 W here, 75 W in the setup" in found["A1.5"].why
