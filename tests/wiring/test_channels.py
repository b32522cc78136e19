"""Rules about channels, each proved by one fault put into a plan that has none.

[amp6 ch 1..6] --wires in C1--> tweeter, mid, rear coaxial, left on the odd channel
[amp6 line 1, 2] --> [mono input 1, 2]; [mono ch 1] --wire in S1--> dual-coil sub (2 ohm)
"""

from dataclasses import dataclass, field
from typing import Any

import pytest

from tests.wiring.plans import amplifier, changed, good_plan, large_plan, low, pair, wire, without
from wiring.check import check
from wiring.context import RULES
from wiring.findings import Finding
from wiring.plan import (
    Channel,
    Crossover,
    Lead,
    Plan,
    Rating,
    Section,
    Setting,
    Speaker,
    Wire,
)
from wiring.rules.crossovers import protects

GOOD = good_plan()


def found(plan: Plan, rule: str) -> list[Finding]:
    raised = [finding for finding in check(plan) if finding.rule == rule]
    assert {finding.severity for finding in raised} <= set(RULES[rule].severities)
    return raised


CHANNEL_MODULES = {
    "wiring.rules.channels",
    "wiring.rules.sides",
    "wiring.rules.crossovers",
    "wiring.rules.lines",
    "wiring.rules.wires",
}


@pytest.mark.parametrize("plan", [good_plan(), large_plan()], ids=["full case", "large"])
def test_a_good_plan_has_no_channel_finding(plan: Plan) -> None:
    ours = {name for name, rule in RULES.items() if rule.examine.__module__ in CHANNEL_MODULES}
    assert len(ours) >= 20
    assert [f.title for f in check(plan) if f.rule in ours] == []


@dataclass
class Fault:
    """One change of the good plan, and the finding it must give."""

    name: str
    rule: str
    severity: str
    where: str
    part: str = "channels"
    part_id: str = ""
    changes: dict[str, Any] = field(default_factory=dict)
    says: str = ""


def channel(
    name: str, rule: str, severity: str, part_id: str, says: str = "", **changes: Any
) -> Fault:
    return Fault(name, rule, severity, part_id, "channels", part_id, changes, says)


def speaker(
    name: str, rule: str, severity: str, where: str, part_id: str, says: str = "", **changes: Any
) -> Fault:
    return Fault(name, rule, severity, where, "speakers", part_id, changes, says)


HP = "high_pass"
FAULTS = [
    channel("unknown device", "unknown-part", "stop", "amp6.1", "'ghost'", device="ghost"),
    channel("unknown speaker", "unknown-part", "stop", "amp6.1", "'ghost'", speakers=("ghost",)),
    channel("unknown fed device", "unknown-part", "stop", "amp6.line1", "'ghost'",
            feeds_device="ghost"),
    speaker("unknown place", "unknown-part", "caution", "sub", "sub", "'attic'", position="attic"),
    channel("channel 7 of 6", "channel-number", "stop", "amp6.6", "has 6", number=7),
    channel("same channel twice", "channel-number", "stop", "amp6.6", "twice", number=5),
    channel("line on a speaker", "channel-number", "stop", "amp6.line1", speakers=("sub",)),
    Fault("nothing drives it", "speaker-without-channel", "stop", "sub", "channels", "mono.1",
          {"speakers": ()}, "subwoofer"),
    channel("two on one", "speaker-on-two-channels", "stop", "amp6.1", speakers=("tweeter_r",)),
    channel("pair not allowed", "bridging", "stop", "amp6.5", "not allowed", bridged_with=6),
    channel("two 4 ohm in parallel and a third", "load-under-minimum", "stop", "amp6.5",
            "1.33 ohm", speakers=("rear_l", "mid_l", "tweeter_l"), joining="parallel"),
    channel("joining not said", "load-under-minimum", "stop", "amp6.5", "not known",
            speakers=("rear_l", "rear_r")),
    channel("coil missing", "load-measured-differs", "caution", "mono.1", "3.4 ohm",
            measured_load_ohm=3.4),
    speaker("over the rating", "power-over-rating", "caution", "amp6.5", "rear_l", "rated 25 W",
            power_w=25.0),
    speaker("twice over the rating", "power-over-rating", "stop", "mono.1", "sub", "rated 150 W",
            power_w=150.0),
    channel("slope that is none", "filter-not-possible", "caution", "amp6.5",
            setting=Setting(high_pass=Crossover("linkwitz_riley", 3, 80.0))),
    channel("tweeter without", "driver-high-pass", "stop", "amp6.1", "no high-pass",
            setting=Setting()),
    channel("tweeter too low", "driver-high-pass", "stop", "amp6.1", "1000 Hz",
            setting=Setting(high_pass=low(1_000.0))),
    channel("tweeter too gentle", "driver-high-pass", "stop", "amp6.1", "6 dB/oct",
            setting=Setting(high_pass=Crossover("butterworth", 1, 3_000.0))),
    channel("midrange without", "driver-high-pass", "stop", "amp6.3", "no high-pass",
            setting=Setting(low_pass=low(3_000.0))),
    channel("gap", "crossover-match", "caution", "amp6.3", "Gap of",
            setting=Setting(high_pass=low(80.0), low_pass=low(1_200.0))),
    channel("overlap", "crossover-match", "caution", "amp6.3", "Overlap of",
            setting=Setting(high_pass=low(80.0), low_pass=low(9_000.0))),
    channel("no low-pass under a tweeter", "crossover-match", "caution", "amp6.3", "no low-pass",
            setting=Setting(high_pass=low(80.0))),
    channel("sides set differently", "sides-differ", "caution", "amp6.5", "90 Hz",
            setting=Setting(high_pass=low(90.0), level_db=-3.0)),
    channel("one side inverted", "sides-differ", "caution", "amp6.5", "inverted left",
            setting=Setting(high_pass=low(80.0), level_db=-3.0, inverted=True)),
    channel("label of the other side", "sides-crossed", "stop", "amp6.1", "Right",
            wire=wire("Right pillar", 1, "WH")),
    channel("wire leads nowhere", "wire-without-speaker", "caution", "mono.1", speakers=()),
    channel("wire not written", "wire-not-written", "caution", "amp6.5", wire=None),
    channel("no such colour", "wire-colour", "caution", "amp6.5", "Blue is BU",
            wire=Wire("C1", Lead("9", "BL"), Lead("10", "BK"), polarity_proved=True)),
    channel("green with yellow", "wire-colour", "note", "amp6.5",
            wire=Wire("C1", Lead("9", "GN", "YE"), Lead("10", "BK"), polarity_proved=True)),
    channel("polarity open", "polarity-not-proved", "caution", "amp6.5",
            wire=Wire("C1", Lead("9", "BU"), Lead("10", "BK"))),
    channel("input fed twice", "line-input", "stop", "amp6.line1", "fed twice", feeds_input=2),
    channel("input 3 of 2", "line-input", "stop", "amp6.line1", "has 2", feeds_input=3),
    channel("input not said", "line-input", "caution", "amp6.line1", "not said", feeds_input=None),
    channel("line into its own device", "line-loop", "stop", "amp6.line1", feeds_device="amp6"),
]  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_found(fault: Fault) -> None:
    plan = changed(GOOD, fault.part, fault.part_id, **fault.changes)
    findings = [f for f in found(plan, fault.rule) if fault.where in f.where]
    assert findings, [f.title for f in check(plan)]
    finding = findings[0]
    assert finding.severity == fault.severity
    assert fault.says in finding.title
    assert finding.what_to_do
    assert finding.source


def test_the_whole_chain_protects_a_driver() -> None:
    """[amp6 line 1, 2, high-pass 3 kHz] --> [mono input 1, 2] --> tweeter: protected there."""
    tweeter = Speaker(
        "sub", "Tweeter", "tweeter", "boot", 2.0, power_w=600.0, min_high_pass_hz=2_500.0
    )
    plan = without(GOOD, "speakers", "sub")
    plan = changed(plan, "channels", "mono.1", setting=Setting())
    plan = Plan(plan.schema_version, plan.devices, (*plan.speakers, tweeter), plan.channels)
    assert [f.severity for f in found(plan, "driver-high-pass")] == ["stop"]
    for line in ("amp6.line1", "amp6.line2"):
        plan = changed(plan, "channels", line, setting=Setting(high_pass=low(3_000.0)))
    assert found(plan, "driver-high-pass") == []
    # One of the two lines left open can still carry low notes into a device that mixes.
    plan = changed(plan, "channels", "amp6.line2", setting=Setting())
    assert [f.severity for f in found(plan, "driver-high-pass")] == ["stop"]


def test_a_subwoofer_needs_a_low_pass_somewhere_on_the_way() -> None:
    plan = changed(GOOD, "channels", "mono.1", setting=Setting())
    assert found(plan, "driver-low-pass") == []
    for line in ("amp6.line1", "amp6.line2"):
        plan = changed(plan, "channels", line, setting=Setting())
    assert [f.severity for f in found(plan, "driver-low-pass")] == ["caution"]


def test_left_and_right_swapped_by_number_are_told_once() -> None:
    """[ch 1] --> right tweeter, [ch 2] --> left tweeter; the other pairs follow the numbers."""
    plan = changed(GOOD, "channels", "amp6.1", speakers=("tweeter_r",))
    plan = changed(plan, "channels", "amp6.2", speakers=("tweeter_l",))
    told = found(plan, "sides-crossed")
    assert [f.severity for f in told] == ["caution"]
    assert {"amp6.1", "amp6.2"} <= set(told[0].where)


@pytest.mark.parametrize(("first", "second", "told"), [("r", "l", 1), ("l", "r", 0)])
def test_bridged_sides_swapped_by_number(first: str, second: str, told: int) -> None:
    """Channels 1+2 and 3+4, each bridged, are neighbours as 1 and 2 are."""
    plan = changed(GOOD, "devices", "amp6", bridgeable=((1, 2), (3, 4)))
    plan = without(plan, "channels", "amp6.2", "amp6.4", "amp6.5", "amp6.6")
    plan = changed(plan, "channels", "amp6.1", bridged_with=2, speakers=(f"rear_{first}",))
    plan = changed(plan, "channels", "amp6.3", bridged_with=4, speakers=(f"rear_{second}",))
    assert len(found(plan, "sides-crossed")) == told


def test_a_wrong_colour_is_told_after_a_channel_without_a_wire() -> None:
    plan = changed(GOOD, "channels", "amp6.1", wire=None)
    plan = changed(plan, "channels", "amp6.2", wire=wire("C1", 3, "XX"))
    assert {one.where[0] for one in found(plan, "wire-colour")} == {"amp6.2"}


def test_a_car_reversed_throughout_is_one_finding() -> None:
    plan = GOOD
    for number, speaker_id in enumerate(("tweeter", "mid", "rear")):
        plan = changed(plan, "channels", f"amp6.{2 * number + 1}", speakers=(f"{speaker_id}_r",))
        plan = changed(plan, "channels", f"amp6.{2 * number + 2}", speakers=(f"{speaker_id}_l",))
    assert len(found(plan, "sides-crossed")) == 1


def test_a_side_without_its_counterpart() -> None:
    plan = without(without(GOOD, "speakers", "rear_r"), "channels", "amp6.6")
    told = found(plan, "side-unpaired")
    assert [f.where for f in told] == [("amp6.5", "rear_l")]


def test_bridged_pairs() -> None:
    """[two-channel amp, 1 with 2] --> 4 ohm: 2 ohm per half, at the minimum of a channel."""
    amp = amplifier("pair", 2, bridgeable=((1, 2),), ratings=(Rating(4.0, 300.0, bridged=True),))
    woofer = Speaker("woofer", "Woofer", "woofer", "front_dash_centre", 4.0, power_w=300.0)
    lower = Channel(
        "pair.1", "pair", "amplifier", 1, ("woofer",), bridged_with=2, wire=wire("P", 1, "RD")
    )
    upper = Channel("pair.2", "pair", "amplifier", 2, bridged_with=1)
    plan = Plan(devices=(amp,), speakers=(woofer,), channels=(lower, upper))
    assert not [f for f in check(plan) if f.rule in ("bridging", "load-under-minimum")]
    # A 2 ohm load is fine for one channel and too low for the pair, each half seeing 1 ohm.
    heavy = changed(plan, "speakers", "woofer", impedance_ohm=2.0)
    assert [f.severity for f in found(heavy, "load-under-minimum")] == ["stop"]
    # The upper half has no speaker of its own.
    shared = changed(plan, "channels", "pair.2", speakers=("woofer",), bridged_with=None)
    assert [f.where for f in found(shared, "bridging")] == [("pair.2",)]


def test_a_channel_for_each_coil_is_only_a_note() -> None:
    sub = Speaker("sub", "Sub", "subwoofer", "boot", 4.0, coils=2)
    channels = tuple(
        Channel(f"a.{n}", "a", "amplifier", n, ("sub",), setting=Setting(low_pass=low(80.0)))
        for n in (1, 2)
    )
    plan = Plan(devices=(amplifier("a", 2),), speakers=(sub,), channels=channels)
    assert [f.severity for f in found(plan, "speaker-on-two-channels")] == ["note"]


def test_an_amplifier_that_nothing_feeds_names_the_output_that_is_free() -> None:
    plan = GOOD
    for line in ("amp6.line1", "amp6.line2"):
        plan = changed(plan, "channels", line, feeds_device=None, feeds_input=None)
    told = found(plan, "amplifier-without-input")
    assert [(f.severity, f.where[0]) for f in told] == [("stop", "mono")]
    assert "Amplifier amp6, line output 1" in told[0].what_to_do
    assert {f.where[0] for f in found(plan, "line-unused")} == {"amp6.line1", "amp6.line2"}


def test_a_loop_over_two_devices() -> None:
    """[amp6 line 1] --> [mono]; [mono line 1] --> [amp6]: both ends are told."""
    plan = changed(GOOD, "devices", "mono", line_outputs=1)
    back = Channel("mono.line1", "mono", "line", 1, feeds_device="amp6", feeds_input=1)
    plan = Plan(plan.schema_version, plan.devices, plan.speakers, (*plan.channels, back))
    assert {f.where[0] for f in found(plan, "line-loop")} == {
        "amp6.line1",
        "amp6.line2",
        "mono.line1",
    }


def test_a_tweeter_without_the_makers_figure() -> None:
    """2 kHz is assumed: below it a caution, none at all a stop."""
    plan = changed(GOOD, "speakers", "tweeter_l", min_high_pass_hz=None)
    lower = changed(plan, "channels", "amp6.1", setting=Setting(high_pass=low(1_500.0)))
    none = changed(plan, "channels", "amp6.1", setting=Setting())
    assert found(plan, "driver-high-pass") == []
    assert [f.severity for f in found(lower, "driver-high-pass")] == ["caution"]
    assert [f.severity for f in found(none, "driver-high-pass")] == ["stop"]


def test_two_gentle_filters_protect_as_one_steep() -> None:
    """Two first-order filters at one corner are 12 dB per octave: 6.02 dB down there, not 3.01."""
    first = Crossover("butterworth", 1, 2_500.0)
    assert not protects((first,), 2_500.0, 2)
    assert protects((first, first), 2_500.0, 2)
    assert protects((low(2_500.0),), 2_500.0, 4)
    assert not protects((), 2_500.0, 1)


def test_an_equaliser_high_pass_counts() -> None:
    section = Section("high_pass", 3_000.0, q=0.707)
    plan = changed(GOOD, "channels", "amp6.1", setting=Setting(sections=(section,)))
    assert found(plan, "driver-high-pass") == []


def test_two_speakers_of_one_zone_on_other_sides_do_not_meet() -> None:
    """A gap is judged within one side; the rear and the front are not compared."""
    speakers = (*pair("m", "Mid", "midrange", "front_door", min_high_pass_hz=60.0),)
    channels = tuple(
        Channel(f"a.{n}", "a", "amplifier", n, (s.id,), setting=Setting(high_pass=low(80.0)))
        for n, s in enumerate(speakers, start=1)
    )
    plan = Plan(devices=(amplifier("a", 2),), speakers=speakers, channels=channels)
    assert found(plan, "crossover-match") == []
