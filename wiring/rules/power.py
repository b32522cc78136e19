"""Rules about the power path: conductors, feeds, returns, voltage, demand and turn-on."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.findings import Figure, Finding
from wiring.plan import Device
from wiring.power.conductors import TABLE_SOURCE
from wiring.power.demand import demands, full_output_figure
from wiring.power.explain import ampacity_figure
from wiring.power.facts import Facts, RunFacts, facts, node_name, run_name
from wiring.power.network import BODY
from wiring.power.solution import carried_share, loads_at, operating, power_fraction

PRACTICE: Final = "common practice, no source"
SHOP: Final = "the shop's assumptions"
OHM: Final = "Ohm's and Kirchhoff's laws; amplifiers as constant-power loads"
NEEDS_POWER: Final = frozenset({"amplifier", "processor"})


@rule("power-conductor-known", "power", "stop", sources=(TABLE_SOURCE,))
def conductor_known(context: Context) -> Iterator[Finding]:
    """Every conductor has a size, metal and insulation the tables answer for, in its place."""
    for each in facts(context).by_id.values():
        problem = each.edge.problem
        if problem is not None:
            yield Finding(
                "power-conductor-known",
                "stop",
                f"The cable of the {run_name(context, each.run)} cannot be judged: {problem}.",
                (each.run.id,),
                "Choose a known size and insulation, fit for how hot the place gets.",
                TABLE_SOURCE,
            )


@rule("power-path-missing", "power", "stop", sources=(PRACTICE,))
def path_missing(context: Context) -> Iterator[Finding]:
    """Every amplifier and processor has a feed from the battery and a return to it."""
    net = facts(context).net
    for device in context.plan.devices:
        if device.kind not in NEEDS_POWER:
            continue
        for side, word, missing in (
            (net.feed, "feed", "no power feed from the battery"),
            (net.returns, "return", "no return to the body or the battery"),
        ):
            if device.id not in side.parent:
                yield Finding(
                    "power-path-missing",
                    "stop",
                    f"{device.name} has {missing}.",
                    (device.id,),
                    f"Enter the {word} run with its cable, length and connections.",
                    PRACTICE,
                    detail=word,
                )


@rule("power-run-astray", "power", "stop", "caution", sources=(PRACTICE,))
def run_astray(context: Context) -> Iterator[Finding]:
    """Every run hangs together with the battery, ends somewhere, and no feed goes to the body."""
    plan_facts = facts(context)
    starts = {each.run.from_node for each in plan_facts.feeds}
    ends = {each.run.to_node for each in plan_facts.returns}
    for each in (*plan_facts.feeds, *plan_facts.returns):
        is_feed = each.run.kind == "feed"
        end = each.run.to_node if is_feed else each.run.from_node
        if end not in context.devices and end not in (starts if is_feed else ends) and end != BODY:
            yield Finding(
                "power-run-astray",
                "caution",
                f"The {run_name(context, each.run)} leads to nothing: {end} is no device and no "
                "other run goes on from it.",
                (each.run.id,),
                "Correct where it starts or ends, or take it out of the plan.",
                PRACTICE,
            )
    for side in (plan_facts.net.feed, plan_facts.net.returns):
        for edge in side.astray:
            if edge.run is not None:
                yield Finding(
                    "power-run-astray",
                    "caution",
                    f"The {run_name(context, edge.run)} is joined to nothing that leads to the "
                    "battery.",
                    (edge.run.id,),
                    "Correct where it starts or ends, or take it out of the plan.",
                    PRACTICE,
                )
    for each in plan_facts.feeds:
        if BODY in (each.run.from_node, each.run.to_node):
            yield Finding(
                "power-run-astray",
                "stop",
                f"The {run_name(context, each.run)} joins battery positive to the body.",
                (each.run.id,),
                "A feed ends at a device or a distribution point; make this a return.",
                PRACTICE,
            )


@rule("power-no-figures", "power", "caution", sources=("maker's data",))
def no_figures(context: Context) -> Iterator[Finding]:
    """An amplifier in use has ratings, so that its current is known."""
    draws = demands(context)
    for device in context.plan.devices:
        if device.kind == "amplifier" and not draws[device.id].known:
            yield Finding(
                "power-no-figures",
                "caution",
                f"The current of {device.name} is understated: a channel in use has no power "
                "rating for its load.",
                (device.id,),
                "Enter the maker's rated power and load in the catalogue.",
                "maker's data",
            )


@rule("power-conductor-load", "power", "stop", "caution", sources=(TABLE_SOURCE,))
def conductor_load(context: Context) -> Iterator[Finding]:
    """No cable carries more than it may: long-term a stop, full output a caution."""
    for each in facts(context).by_id.values():
        allowed = each.edge.allowed_a
        if not allowed or each.full_a <= allowed:
            continue
        longterm = each.music_a > allowed
        current, which = (
            (each.music_a, "long-term with music") if longterm else (each.full_a, "at full output")
        )
        yield Finding(
            "power-conductor-load",
            "stop" if longterm else "caution",
            f"The {run_name(context, each.run)} carries {current:.1f} A {which}; its "
            f"{each.run.conductor.size} cable may carry {allowed:.1f} A.",
            (each.run.id,),
            "Fit a larger cable, or one with hotter insulation.",
            TABLE_SOURCE,
            (ampacity_figure(each.run, context.plan.assumptions),),
        )


@rule("power-return-small", "power", "caution", sources=(PRACTICE,))
def return_small(context: Context) -> Iterator[Finding]:
    """A return carries what the fuse of the feed lets through."""
    plan_facts = facts(context)
    feed_of = {each.run.to_node: each for each in plan_facts.feeds}
    for each in plan_facts.returns:
        feed = feed_of.get(each.run.from_node)
        if feed is None or not each.edge.allowed_a:
            continue
        rating = feed.protected_a
        if rating is not None and rating > each.edge.allowed_a:
            yield Finding(
                "power-return-small",
                "caution",
                f"The {run_name(context, each.run)} may carry {each.edge.allowed_a:.1f} A, but "
                f"the feed's fuse lets {rating:g} A through.",
                (each.run.id, feed.run.id),
                "Make the return as large as the feed.",
                PRACTICE,
                (ampacity_figure(each.run, context.plan.assumptions),),
            )


@rule("power-supply-carries", "power", "stop", sources=(OHM,))
def supply_carries(context: Context) -> Iterator[Finding]:
    """The supply can carry full output at all."""
    plan_facts = facts(context)
    if plan_facts.point is not None or not plan_facts.net.ports:
        return
    supply = context.plan.supply
    loads = loads_at(context, plan_facts.net.ports, "full")
    share = carried_share(plan_facts.net, supply, loads, "cruising")
    yield Finding(
        "power-supply-carries",
        "stop",
        f"The supply cannot carry full output: the voltage collapses beyond {share:.0%} of it.",
        tuple(plan_facts.net.ports),
        "Fit larger cables, fewer channels at full power, or a larger alternator and battery.",
        OHM,
        tuple(
            full_output_figure(context.devices[port], demands(context)[port], supply.charging_v)
            for port in plan_facts.net.ports
        ),
    )


@rule("power-drop", "power", "caution", sources=(SHOP,))
def drop(context: Context) -> Iterator[Finding]:
    """Voltage lost out and back at full output stays in the shop's limit."""
    plan_facts = facts(context)
    if plan_facts.point is None:
        return
    supply_v = context.plan.supply.charging_v
    limit = context.plan.assumptions.max_drop_fraction
    allowed_v = limit * supply_v
    for index, volt in enumerate(plan_facts.point.volts):
        lost = plan_facts.point.terminal_v - volt
        if lost > allowed_v:
            yield _drop_finding(context, plan_facts, index, lost, limit)


def _drop_finding(
    context: Context, plan_facts: Facts, index: int, lost_v: float, limit: float
) -> Finding:
    assert plan_facts.point is not None
    supply_v = context.plan.supply.charging_v
    device = context.devices[plan_facts.net.ports[index]]
    parts: list[tuple[float, RunFacts]] = []
    for each in (*plan_facts.feeds, *plan_facts.returns):
        shares = each.edge.shares
        if index < len(shares) and shares[index]:
            parts.append((each.full_a * each.edge.ohm, each))
    parts.sort(key=lambda part: -part[0])
    body_v = lost_v - sum(part for part, _ in parts)
    figures = [
        Figure(
            f"drop to {device.name} and back",
            lost_v,
            "V",
            "sum of I R over its feeds and returns",
            " + ".join(
                f"{part:.3f} ({each.run.from_node} to {each.run.to_node})" for part, each in parts
            )
            + (f" + {body_v:.3f} (body)" if body_v > 1e-6 else ""),
            OHM,
            ("full output on every channel in use", "conductors warm from long-term music"),
        ),
        full_output_figure(device, demands(context)[device.id], plan_facts.point.volts[index]),
        Figure(
            f"power left at the speakers of {device.name}",
            100
            * power_fraction(device, demands(context)[device.id], plan_facts.point.volts[index]),
            "%",
            "100 % when regulated, else (U / U(rated))^2, nothing under the cut-off",
            f"{plan_facts.point.volts[index]:.2f} V, rated at {device.rated_supply_v:g} V",
            "output of an unregulated amplifier follows its supply",
        ),
    ]
    worst = parts[0][1].run if parts else None
    return Finding(
        "power-drop",
        "caution",
        f"{device.name} loses {lost_v:.2f} V of {supply_v:g} V at full output "
        f"({lost_v / supply_v:.1%}); the shop's limit is {limit:.1%}.",
        (device.id, *(each.run.id for _, each in parts)),
        "Shorten or enlarge the cable that loses most"
        + (f": the {run_name(context, worst)}." if worst else "."),
        SHOP,
        tuple(figures),
    )


@rule("power-cut-off", "power", "stop", "caution", sources=("maker's cut-off voltage", OHM))
def cut_off(context: Context) -> Iterator[Finding]:
    """No device falls under its cut-off at full output: running a stop, engine off a caution."""
    plan_facts = facts(context)
    point = plan_facts.point
    if point is None:
        return
    running: set[str] = set()
    for device, volt in _under_cut_off(context, plan_facts.net.ports, point.volts):
        running.add(device.id)
        yield _cut_off_finding(device, volt, "with the engine running", "stop")
    if not any(context.devices[port].min_supply_v for port in plan_facts.net.ports):
        return
    off = operating(context, "full", "off")
    if off is None:
        yield Finding(
            "power-cut-off",
            "caution",
            "Engine off, the battery cannot carry full output.",
            tuple(plan_facts.net.ports),
            "Tell the customer to play loud with the engine running.",
            OHM,
        )
        return
    for device, volt in _under_cut_off(context, plan_facts.net.ports, off.volts):
        if device.id not in running:
            yield _cut_off_finding(device, volt, "with the engine off", "caution")


def _under_cut_off(
    context: Context, ports: list[str], volts: list[float]
) -> Iterator[tuple[Device, float]]:
    for port, volt in zip(ports, volts, strict=True):
        device = context.devices[port]
        if device.min_supply_v is not None and volt < device.min_supply_v:
            yield device, volt


def _cut_off_finding(device: Device, volt: float, when: str, severity: str) -> Finding:
    return Finding(
        "power-cut-off",
        "stop" if severity == "stop" else "caution",
        f"{device.name} gets {volt:.2f} V at full output {when}; it shuts down under "
        f"{device.min_supply_v:g} V.",
        (device.id,),
        "Fit larger cables or a stronger supply.",
        "maker's cut-off voltage; " + OHM,
    )


@rule("power-turn-on", "channels", "caution", sources=(PRACTICE,))
def turn_on(context: Context) -> Iterator[Finding]:
    """Something wakes every amplifier and processor, and it is named."""
    for device in context.plan.devices:
        if device.kind not in NEEDS_POWER:
            continue
        waker = device.turn_on_by
        if device.turn_on == "not_needed" and device.kind == "amplifier":
            problem = "nothing is said about how it is turned on"
        elif device.turn_on == "remote_wire" and waker is None:
            problem = "its remote wire comes from nowhere"
        elif device.turn_on == "interface_module" and waker is None:
            problem = "the module that turns it on is not named"
        elif waker is not None and waker not in context.devices:
            problem = f"{waker!r}, which should turn it on, is not in the plan"
        elif waker == device.id:
            problem = "it cannot turn itself on"
        elif (
            device.turn_on == "interface_module"
            and waker is not None
            and context.devices[waker].kind != "interface"
        ):
            problem = f"{node_name(context, waker)} is no interface module"
        else:
            continue
        yield Finding(
            "power-turn-on",
            "caution",
            f"{device.name}: {problem}.",
            (device.id,),
            "Say what wakes it: a remote wire, the interface module, signal sense or ignition.",
            PRACTICE,
        )
