"""Rules about the power path: conductors, feeds, returns, voltage, demand and turn-on."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.findings import Figure, Finding, Severity
from wiring.names import listed
from wiring.plan import Device, Run
from wiring.power.conductors import TABLE_SOURCE
from wiring.power.demand import demands, full_output_figure
from wiring.power.drops import STATE_WORDS, Drop, drops
from wiring.power.explain import ampacity_figure
from wiring.power.facts import (
    Facts,
    RunFacts,
    factory_fuse_a,
    facts,
    node_name,
    run_name,
    sources,
    supplied_v,
)
from wiring.power.fuses import CONTINUOUS_FRACTION, CONTINUOUS_SOURCE
from wiring.power.network import BODY, FACTORY_FEED, converter_before
from wiring.power.solution import (
    carried_share,
    loads_at,
    operating,
    power_fraction,
    run_current_a,
)
from wiring.rules.limits import PRACTICE, SHOP, allowed_rating_a, distance_limit_m

OHM: Final = "Ohm's and Kirchhoff's laws; amplifiers as constant-power loads"
NEEDS_POWER: Final = frozenset({"amplifier", "processor"})
HIGHEST_OF_RATED: Final = 1.15
VOLTAGE_PRACTICE: Final = (
    "a device made for 12 V takes about 16 V, 15 % over the 14.4 V it is rated at: common "
    "practice, no source"
)
FEED_SOURCE: Final = "the vehicle maker's data"
FUSE_HOLDS: Final = 1.35
"""A fuse may hold this multiple of its rating for minutes (see the table of fuses)."""
TRIGGER_INPUT_A: Final = 0.02
TRIGGER_PRACTICE: Final = "a remote input takes about 20 mA: common practice, no source"


@rule("power-conductor-known", "power", "stop", sources=(TABLE_SOURCE,))
def conductor_known(context: Context) -> Iterator[Finding]:
    """Every conductor has a size, metal and insulation the tables answer for, in its place."""
    for each in facts(context).by_id.values():
        problem = each.edge.problem
        if problem is not None:
            yield Finding(
                "power-conductor-known",
                "stop",
                f"The cable of the {run_name(context, each.run)} cannot be judged: "
                f"{problem.reason}.",
                (each.run.id,),
                "Choose a known size and insulation, fit for how hot the place gets.",
                TABLE_SOURCE,
            )


@rule("power-path-missing", "power", "stop", sources=(PRACTICE,))
def path_missing(context: Context) -> Iterator[Finding]:
    """Every amplifier and processor has a feed from the battery and a return to it.

    While the plan is being entered, a device waits until a run begins or ends at it.
    """
    net = facts(context).net
    begun = {node for run in context.plan.runs for node in (run.from_node, run.to_node)}
    for device in context.plan.devices:
        if device.kind not in NEEDS_POWER:
            continue
        if context.plan.unfinished and device.id not in begun:
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
    """Every run hangs together with the battery, ends somewhere, and no feed goes to the body.

    While the plan is being entered, the newest run may end where the next one goes on.
    """
    plan_facts = facts(context)
    newest = context.plan.runs[-1].id if context.plan.unfinished and context.plan.runs else ""
    starts = {each.run.from_node for each in plan_facts.feeds}
    ends = {each.run.to_node for each in plan_facts.returns}
    for each in (*plan_facts.feeds, *plan_facts.returns):
        is_feed = each.run.kind == "feed"
        end = each.run.to_node if is_feed else each.run.from_node
        if each.run.id == newest:
            continue
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


@rule("power-run-backwards", "power", "stop", sources=(PRACTICE,))
def run_backwards(context: Context) -> Iterator[Finding]:
    """No run is entered against its current: a feed leads away from the battery, a return to it."""
    for each in facts(context).by_id.values():
        if not each.turned:
            continue
        run = each.run
        yield Finding(
            "power-run-backwards",
            "stop",
            f"The {run.kind} is entered backwards: its current runs from "
            f"{node_name(context, run.from_node)} to {node_name(context, run.to_node)}.",
            (run.id,),
            "Turn it round"
            + (", and see that the fuse's place is measured from there." if run.fuse else "."),
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


@rule("power-return-small", "power", "stop", sources=(TABLE_SOURCE,))
def return_small(context: Context) -> Iterator[Finding]:
    """A return carries what the fuse before each device it serves lets through, shared or not."""
    plan_facts = facts(context)
    assumptions = context.plan.assumptions
    fuses = _fuses_before(plan_facts)
    for each in plan_facts.returns:
        allowed = each.edge.allowed_a
        if not allowed:
            continue
        shares = zip(plan_facts.net.ports, each.edge.shares, strict=False)
        through = [
            (abs(share) * fuses[port][0], port) for port, share in shares if share and port in fuses
        ]
        worst_a, port = max(through, default=(0.0, ""))
        if worst_a <= allowed_rating_a(assumptions, allowed) * (1 + 1e-9):
            continue
        rating_a, feeds = fuses[port]
        part = f", {worst_a:.1f} A of it here" if worst_a < rating_a * (1 - 1e-9) else ""
        yield Finding(
            "power-return-small",
            "stop",
            f"The {run_name(context, each.run)} may carry {allowed:.1f} A, but a fault in "
            f"{node_name(context, port)} draws up to the {rating_a:g} A of its fuse{part}.",
            (each.run.id, *(feed.id for feed in feeds)),
            "Make the return as large as the feed, or fit a smaller fuse.",
            TABLE_SOURCE,
            (ampacity_figure(each.run, assumptions),),
        )


def _fuses_before(plan_facts: Facts) -> dict[str, tuple[float, tuple[Run, ...]]]:
    """By device, the rating of the fuses its feeds hang from [A], and the runs they are in."""
    before: dict[str, tuple[float, tuple[Run, ...]]] = {}
    for each in plan_facts.feeds:
        rating = each.protected_a
        if rating is None or each.run.to_node not in plan_facts.net.ports:
            continue
        known_a, known = before.get(each.run.to_node, (0.0, ()))
        new = tuple(run for run in each.protecting if run not in known)
        if new or not each.protecting:
            before[each.run.to_node] = (known_a + rating, (*known, *new))
    return before


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
    """Voltage lost out and back stays in the shop's limits: with music, and at full output."""
    told: set[str] = set()
    for each in drops(context):
        if each.over and each.device_id not in told:
            told.add(each.device_id)
            yield _drop_finding(context, each)


def _drop_finding(context: Context, drop: Drop) -> Finding:
    port, index, state, lost_v, _, limit, point = drop
    plan_facts = facts(context)
    supply_v = context.plan.supply.charging_v
    device = context.devices[port]
    parts: list[tuple[float, RunFacts]] = []
    for each in (*plan_facts.feeds, *plan_facts.returns):
        shares = each.edge.shares
        if index < len(shares) and shares[index]:
            current_a = run_current_a(each.edge, point.amps)
            parts.append((abs(current_a) * each.edge.ohm, each))
    parts.sort(key=lambda part: -part[0])
    body_v = lost_v - sum(part for part, _ in parts)
    figures = [
        Figure(
            f"drop to {device.name} and back",
            lost_v,
            "V",
            "sum of I R over its feeds and returns",
            " + ".join(
                f"{part:.3f} ({each.run.from_node} → {each.run.to_node})" for part, each in parts
            )
            + (f" + {body_v:.3f} (the car's own body or wire)" if body_v > 1e-6 else ""),
            OHM,
            (
                f"music at {context.plan.assumptions.music_duty:g} of full output, "
                f"subwoofers at {context.plan.assumptions.bass_duty:g}"
                if state == "music"
                else "full output on every channel in use",
                "conductors warm from long-term music",
            ),
        ),
    ]
    if state == "full":
        demand = demands(context)[device.id]
        figures += [
            full_output_figure(device, demand, point.volts[index]),
            Figure(
                f"power left at the speakers of {device.name}",
                100 * power_fraction(device, demand, point.volts[index]),
                "%",
                "100 % when regulated, else (U / U(rated))^2, nothing under the cut-off",
                f"{point.volts[index]:.2f} V, rated at {device.rated_supply_v:g} V",
                "output of an unregulated amplifier follows its supply",
            ),
        ]
    worst = parts[0][1].run if parts else None
    return Finding(
        "power-drop",
        "caution",
        f"{device.name} loses {lost_v:.2f} V of {supply_v:g} V {STATE_WORDS[state]} "
        f"({lost_v / supply_v:.1%}); the shop's limit is {limit:.1%}.",
        (device.id, *(each.run.id for _, each in parts)),
        "Shorten or enlarge the cable that loses most"
        + (f": the {run_name(context, worst)}." if worst else "."),
        SHOP,
        tuple(figures),
        detail=state,
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


@rule("power-voltage", "power", "stop", sources=("maker's data", VOLTAGE_PRACTICE))
def voltage(context: Context) -> Iterator[Finding]:
    """No device is on a supply of a higher voltage than it takes."""
    net = facts(context).net
    for device in context.plan.devices:
        if device.id not in net.feed.parent:
            continue
        most_v = device.max_supply_v or device.rated_supply_v * HIGHEST_OF_RATED
        given_v = supplied_v(context, device.id)
        converter = converter_before(context, net, device.id)
        giver = "the charging system" if converter is None else converter.name
        if device.kind == "converter" and device.max_supply_v is None:
            continue
        if given_v > most_v:
            known = "takes" if device.max_supply_v else "is not known to take more than"
            yield Finding(
                "power-voltage",
                "stop",
                f"{device.name} {known} {most_v:.1f} V; {giver} gives {given_v:g} V.",
                (device.id,),
                "Feed it from a converter, or fit a device made for this voltage.",
                "maker's data" if device.max_supply_v else VOLTAGE_PRACTICE,
            )


@rule("factory-feed", "power", "stop", "caution", sources=(FEED_SOURCE, CONTINUOUS_SOURCE))
def factory_feed(context: Context) -> Iterator[Finding]:
    """The car's own supply wire gives no more than its maker, or its fuse, allows."""
    runs = [each for each in facts(context).feeds if each.run.from_node == FACTORY_FEED]
    if not runs:
        return
    fuse_a = factory_fuse_a(context)
    feed = context.plan.supply.factory_feed
    limit_a = feed.limit_a if feed is not None else None
    where = ("supply", *(each.run.id for each in runs))
    if fuse_a is None and limit_a is None:
        yield Finding(
            "factory-feed",
            "caution",
            "The car's own supply wire is used, and neither its fuse nor what it may give is said.",
            where,
            "Read the fuse's rating at the car's fuse box, and the limit in the maker's diagram.",
            FEED_SOURCE,
        )
        return
    most_a = limit_a if limit_a is not None else CONTINUOUS_FRACTION * (fuse_a or 0.0)
    full_a = sum(each.full_a for each in runs)
    music_a = sum(each.music_a for each in runs)
    if full_a <= most_a:
        return
    longterm = music_a > most_a
    current, when = (music_a, "long-term with music") if longterm else (full_a, "at full output")
    known = "its maker allows" if limit_a is not None else f"80 % of its {fuse_a:g} A fuse is"
    yield Finding(
        "factory-feed",
        "stop" if longterm else "caution",
        f"The car's own supply wire gives {current:.1f} A {when}; {known} {most_a:g} A.",
        where,
        "Feed the amplifier from the battery with a cable and a fuse of its own.",
        FEED_SOURCE if limit_a is not None else CONTINUOUS_SOURCE,
    )


@rule("power-device-load", "power", "stop", "caution", sources=("maker's data",))
def device_load(context: Context) -> Iterator[Finding]:
    """An isolator or a converter carries no more than its maker says."""
    for device in context.plan.devices:
        if device.rated_current_a is None or device.kind not in ("isolator", "converter"):
            continue
        runs = [each for each in facts(context).feeds if each.run.from_node == device.id]
        full_a = sum(each.full_a for each in runs)
        music_a = sum(each.music_a for each in runs)
        if full_a <= device.rated_current_a:
            continue
        longterm = music_a > device.rated_current_a
        current, when = (
            (music_a, "long-term with music") if longterm else (full_a, "at full output")
        )
        yield Finding(
            "power-device-load",
            "stop" if longterm else "caution",
            f"{device.name} carries {current:.1f} A {when}; it is made for "
            f"{device.rated_current_a:g} A.",
            (device.id, *(each.run.id for each in runs)),
            "Fit a larger one, or feed the amplifier past it.",
            "maker's data",
        )


@rule("built-in-fuses", "power", "caution", sources=("maker's data",))
def built_in_fuses(context: Context) -> Iterator[Finding]:
    """An amplifier's own fuses carry the current worked out for it: else a figure is wrong."""
    draws = demands(context)
    for device in context.plan.devices:
        own_a = sum(device.built_in_fuses_a)
        full_a = draws[device.id].full_w / device.rated_supply_v
        if own_a and full_a > own_a * FUSE_HOLDS:
            yield Finding(
                "built-in-fuses",
                "caution",
                f"{device.name} has {own_a:g} A of fuses in its case; its ratings ask for "
                f"{full_a:.0f} A at full output.",
                (device.id,),
                "Look up its rated power, load and efficiency again: one of the figures is wrong.",
                "maker's data",
                (full_output_figure(device, draws[device.id], device.rated_supply_v),),
            )


@rule("battery-both-ends", "power", "stop", sources=(PRACTICE,))
def both_ends(context: Context) -> Iterator[Finding]:
    """A cable between two sources is fused at both ends: each of them can burn it."""
    plan_facts = facts(context)
    parent = plan_facts.net.feed.parent
    for source in sources(context)[1:]:
        node, bare_m = source, 0.0
        while node in parent:
            edge, behind = parent[node]
            run = edge.run
            if run is None:
                break
            limit_m, limit_source = distance_limit_m(context.plan.assumptions, run)
            fused = _fuse_from(run, node)
            if fused is not None:
                bare_m += fused
                break
            bare_m += run.length_m
            node = behind
        if source not in parent or bare_m <= limit_m + 1e-9:
            continue
        first = parent[source][0].run
        assert first is not None
        yield Finding(
            "battery-both-ends",
            "stop",
            f"The cable at {node_name(context, source)} has no fuse at that end: {bare_m:.2f} m "
            f"lies unprotected from it; the limit is {limit_m:.2f} m.",
            (first.id, source),
            "Fit a fuse at each end of a cable between two sources.",
            limit_source,
        )


def _fuse_from(run: Run, node: str) -> float | None:
    """How far from one of its ends the nearest fuse of a run sits [m], None without one."""
    ends = ((run.fuse, node == run.from_node), (run.far_fuse, node == run.to_node))
    places = [
        fuse.distance_m if here else run.length_m - fuse.distance_m
        for fuse, here in ends
        if fuse is not None
    ]
    return min(places, default=None)


@rule("power-turn-on", "channels", "stop", "caution", sources=(PRACTICE,))
def turn_on(context: Context) -> Iterator[Finding]:
    """Something wakes every amplifier and processor, and it is named.

    While the plan is being entered, a device waits until one of its channels feeds something.
    """
    for device in context.plan.devices:
        if device.kind not in NEEDS_POWER:
            continue
        if context.plan.unfinished and not context.feeding(device.id):
            continue
        waker = device.turn_on_by
        severity: Severity = "caution"
        if device.turn_on == "not_needed" and device.kind == "amplifier":
            problem = "nothing is said about how it is turned on"
        elif device.turn_on == "remote_wire" and waker is None:
            problem = "its remote wire comes from nowhere"
        elif device.turn_on == "interface_module" and waker is None:
            problem = "the module that turns it on is not named"
        elif waker is not None and waker not in context.devices:
            problem = f"{waker!r}, which should turn it on, is not in the plan"
            severity = "stop"
        elif waker == device.id:
            problem = "it cannot turn itself on"
            severity = "stop"
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
            severity,
            f"{device.name}: {problem}.",
            (device.id,),
            "Say what wakes it: a remote wire, the interface module, signal sense or ignition.",
            PRACTICE,
        )


def _wakers(context: Context) -> dict[str, str]:
    """By device, the other device that wakes it by a wire or as a module."""
    return {
        device.id: device.turn_on_by
        for device in context.plan.devices
        if device.turn_on in ("remote_wire", "interface_module")
        and device.turn_on_by in context.devices
        and device.turn_on_by != device.id
        and device.turn_on_by is not None
    }


@rule("turn-on-loop", "channels", "stop", sources=(PRACTICE,))
def turn_on_loop(context: Context) -> Iterator[Finding]:
    """No devices wait for each other to be woken."""
    wakers = _wakers(context)
    told: set[str] = set()
    for device in context.plan.devices:
        chain: list[str] = []
        node = device.id
        while node in wakers and node not in chain:
            chain.append(node)
            node = wakers[node]
        if node not in chain or node in told:
            continue
        loop = chain[chain.index(node) :]
        told.update(loop)
        names = [context.devices[one].name for one in loop]
        yield Finding(
            "turn-on-loop",
            "stop",
            f"None of these wakes, each waits for the next: {listed([*names, names[0]])}.",
            tuple(loop),
            "Let one of them be woken by the car: ignition, signal sense or the module.",
            PRACTICE,
        )


@rule("turn-on-limit", "channels", "stop", "caution", sources=("maker's data", TRIGGER_PRACTICE))
def turn_on_limit(context: Context) -> Iterator[Finding]:
    """A remote output wakes no more devices, and gives no more current, than its maker says."""
    wakers = _wakers(context)
    for giver in context.plan.devices:
        asked = [context.devices[one] for one in wakers if wakers[one] == giver.id]
        asked = [one for one in asked if one.turn_on == "remote_wire"]
        if giver.trigger_outputs is not None and len(asked) > giver.trigger_outputs:
            yield Finding(
                "turn-on-limit",
                "stop",
                f"The remote output of {giver.name} is for {giver.trigger_outputs} "
                f"device{'' if giver.trigger_outputs == 1 else 's'}; {len(asked)} hang on it.",
                (giver.id, *(one.id for one in asked)),
                "Drive a relay with it, or wake the others in another way.",
                "maker's data",
            )
        elif giver.trigger_output_a is not None and asked:
            drawn_a = [
                TRIGGER_INPUT_A if one.trigger_input_a is None else one.trigger_input_a
                for one in asked
            ]
            if sum(drawn_a) <= giver.trigger_output_a:
                continue
            guessed = any(one.trigger_input_a is None for one in asked)
            yield Finding(
                "turn-on-limit",
                "caution" if guessed else "stop",
                f"The remote output of {giver.name} gives {1000 * giver.trigger_output_a:.0f} mA; "
                f"{'about ' if guessed else ''}{1000 * sum(drawn_a):.0f} mA are asked of it.",
                (giver.id, *(one.id for one in asked)),
                "Drive a relay with it, or wake the others in another way.",
                TRIGGER_PRACTICE if guessed else "maker's data",
            )
