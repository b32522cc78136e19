"""Rules about fuses: there, near enough, small enough for the cable, large enough for the load."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.findings import Figure, Finding, Severity
from wiring.names import listed
from wiring.plan import Fuse, Run, Supply
from wiring.power.conductors import TABLE_SOURCE, size
from wiring.power.explain import ampacity_figure
from wiring.power.facts import (
    RunFacts,
    facts,
    fuse_name,
    node_name,
    run_name,
    source_name,
    sources,
)
from wiring.power.fuses import (
    ADIABATIC_LIMIT_S,
    ADIABATIC_SOURCE,
    AMBIENT_SOURCE,
    BODIES,
    CONTINUOUS_FRACTION,
    CONTINUOUS_SOURCE,
    SOURCE,
    STATUS,
    Body,
    FuseError,
    adiabatic_current_a,
    adiabatic_k,
    body,
    opens_by_s,
    rating_at_ambient_a,
    resistance_ohm,
    short_circuit_a,
)
from wiring.power.network import BATTERY, FACTORY_FEED, Network
from wiring.rules.limits import (
    MARINE_SOURCE,
    PRACTICE,
    allowed_rating_a,
    distance_limit_m,
)

SELECTIVE_RATIO: Final = 1.6
SELECTIVE_SOURCE: Final = "1.6 : 1 as for gG fuses, IEC 60269-2:2013, from memory; a guide here"
DISTANCE_STOP: Final = 2.0
FACTORY_BODY: Final = BODIES["blade"]
"""What is taken for the car's own fuse, whose body nobody has written down."""


def fuse_body(name: str) -> Body | None:
    """The body of that name, None when there is none."""
    known = BODIES.get(name)
    if known is None:
        try:
            known = body(name)
        except FuseError:
            return None
    return known


@rule("fuse-missing", "power", "stop", sources=(PRACTICE, MARINE_SOURCE))
def missing(context: Context) -> Iterator[Finding]:
    """Every feed has a fuse between it and the battery."""
    plan_facts = facts(context)
    goes_on = {each.run.from_node for each in plan_facts.feeds}
    for each in plan_facts.feeds:
        if each.protected_a is not None or each.run.id not in _reached(plan_facts.net):
            continue
        limit, source = distance_limit_m(context.plan.assumptions, each.run)
        bare = each.unfused_m + each.run.length_m
        named = source_name(context, each)
        if each.source == FACTORY_FEED or (each.run.to_node in goes_on and bare <= limit):
            continue
        yield Finding(
            "fuse-missing",
            "stop",
            f"The {run_name(context, each.run)} has no fuse: {bare:.2f} m of cable lies "
            f"unprotected from {named}.",
            (each.run.id,),
            f"Fit a fuse within {limit:.2f} m of {named}, not larger than the cable allows.",
            source,
        )


def _reached(net: Network) -> set[str]:
    return {edge.run.id for edge in net.feed.edges if edge.run is not None}


@rule("fuse-over-conductor", "power", "stop", sources=(TABLE_SOURCE, MARINE_SOURCE))
def over_conductor(context: Context) -> Iterator[Finding]:
    """The fuse before a cable is not larger than the cable may carry, after each size change."""
    assumptions = context.plan.assumptions
    for each in facts(context).feeds:
        rating = each.protected_a
        allowed = each.edge.allowed_a
        if rating is None or not allowed or rating <= allowed_rating_a(assumptions, allowed):
            continue
        own = each.run.fuse is not None
        yield Finding(
            "fuse-over-conductor",
            "stop",
            f"{'The' if own else 'No fuse at the size change: the'} {rating:g} A fuse protects "
            f"the {run_name(context, each.run)}, whose {each.run.conductor.size} cable may carry "
            f"only {allowed:.1f} A.",
            (each.run.id, *(run.id for run in each.protecting if run.id != each.run.id)),
            "Fit a smaller fuse or a larger cable."
            if own
            else "Fit a fuse for this cable where it starts, or run the larger size on.",
            TABLE_SOURCE
            + (
                f"; 150 % allowance of {MARINE_SOURCE}" if assumptions.rule_book == "marine" else ""
            ),
            (ampacity_figure(each.run, assumptions),),
        )
    yield from _over_from_another_source(context)


def _over_from_another_source(context: Context) -> Iterator[Finding]:
    """The same for what a second battery drives into the cables that lead to it."""
    assumptions = context.plan.assumptions
    parent = facts(context).net.feed.parent
    for source in sources(context)[1:]:
        node = source
        rating: float | None = None
        while node in parent:
            edge, behind = parent[node]
            run = edge.run
            if run is None:
                break
            met = [fuse.rating_a for fuse in _fuses_from(run, node)]
            if rating is None and met:
                rating = met[0]
            if rating and edge.allowed_a and rating > allowed_rating_a(assumptions, edge.allowed_a):
                yield Finding(
                    "fuse-over-conductor",
                    "stop",
                    f"From {node_name(context, source)} the {rating:g} A fuse protects the "
                    f"{run_name(context, run)}, whose {run.conductor.size} cable may carry only "
                    f"{edge.allowed_a:.1f} A.",
                    (run.id, source),
                    "Fit a smaller fuse at that end, or a larger cable.",
                    TABLE_SOURCE,
                    (ampacity_figure(run, assumptions),),
                    detail=source,
                )
            if rating is not None:
                rating = min([rating, *met])
            node = behind


def _fuses_from(run: Run, node: str) -> list[Fuse]:
    """The fuses of a run in the order in which current from one of its ends meets them."""
    ends = ((run.fuse, node == run.from_node), (run.far_fuse, node == run.to_node))
    met = [
        (fuse.distance_m if here else run.length_m - fuse.distance_m, fuse)
        for fuse, here in ends
        if fuse is not None
    ]
    return [fuse for _, fuse in sorted(met, key=lambda each: each[0])]


@rule("fuse-standard", "power", "caution", sources=(SOURCE,))
def standard(context: Context) -> Iterator[Finding]:
    """Each fuse has a known body and a rating that body is made in."""
    fitted = [
        (each.run, fuse)
        for each in facts(context).by_id.values()
        for fuse in (each.run.fuse, each.run.far_fuse)
        if fuse is not None
    ]
    for run, fuse in fitted:
        kind = fuse_body(fuse.body)
        if kind is not None and fuse.rating_a in kind.ratings_a:
            continue
        if kind is None:
            title = f"The type of the {fuse.rating_a:g} A fuse is not known ({fuse.body!r})."
            advice = f"Choose one of: {', '.join(BODIES)}."
        else:
            title = f"{fuse.rating_a:g} A is no standard rating of a {kind.name} fuse."
            near = sorted(kind.ratings_a, key=lambda one: abs(one - fuse.rating_a))[:2]
            advice = f"Nearest: {', '.join(f'{one:g} A' for one in sorted(near))}."
        yield Finding(
            "fuse-standard",
            "caution",
            title,
            (run.id,),
            advice,
            kind.source if kind else SOURCE,
        )


@rule("fuse-distance", "power", "stop", "caution", sources=(PRACTICE, MARINE_SOURCE))
def distance(context: Context) -> Iterator[Finding]:
    """A fuse is near its source: the battery, or the point where the cable gets smaller."""
    assumptions = context.plan.assumptions
    for each in facts(context).feeds:
        fuse = each.run.fuse
        if fuse is None:
            continue
        rating = each.upstream_a
        if rating is None:
            bare = each.unfused_m + fuse.distance_m
            start = source_name(context, each)
        elif each.edge.allowed_a and rating > allowed_rating_a(assumptions, each.edge.allowed_a):
            bare, start = fuse.distance_m, each.run.from_node
        else:
            continue
        limit, source = distance_limit_m(assumptions, each.run)
        if bare <= limit + 1e-9:
            continue
        stop = assumptions.rule_book == "marine" or bare > DISTANCE_STOP * limit
        yield Finding(
            "fuse-distance",
            "stop" if stop else "caution",
            f"The {fuse_name(fuse)} sits {bare:.2f} m from {start}; the limit is {limit:.2f} m.",
            (each.run.id,),
            "Move the fuse nearer: a short before it is not cleared by anything.",
            source,
        )


@rule("fuse-under-load", "power", "stop", "caution", sources=(CONTINUOUS_SOURCE, AMBIENT_SOURCE))
def under_load(context: Context) -> Iterator[Finding]:
    """A fuse carries its load in the air it sits in."""
    for each in facts(context).feeds:
        fuse = each.run.fuse
        if fuse is None or each.edge.ambient_c > 125:
            continue
        warm = rating_at_ambient_a(fuse.rating_a, each.edge.ambient_c)
        steady = CONTINUOUS_FRACTION * warm
        if each.music_a <= steady and each.full_a <= warm:
            continue
        severity: Severity = "stop" if each.music_a > warm else "caution"
        if each.music_a > steady:
            load = f"{each.music_a:.1f} A long-term with music"
            most = f"{steady:.1f} A (80 %)" if severity == "caution" else f"{warm:.1f} A"
        else:
            load, most = f"{each.full_a:.1f} A at full output", f"{warm:.1f} A"
        yield Finding(
            "fuse-under-load",
            severity,
            f"The {fuse_name(fuse)} of the {run_name(context, each.run)} carries {load}; at "
            f"{each.edge.ambient_c:g} degC it is good for {most}.",
            (each.run.id,),
            "Fit the next larger rating the cable allows, or a larger cable with it.",
            f"{CONTINUOUS_SOURCE}; {AMBIENT_SOURCE}",
            (
                Figure(
                    "rating in warm air",
                    warm,
                    "A",
                    "I = In x (1 - 0.0015 (T - 23))",
                    f"{fuse.rating_a:g} A x (1 - 0.0015 x ({each.edge.ambient_c:g} - 23))",
                    AMBIENT_SOURCE,
                ),
            ),
        )


def fault_a(net: Network, supply: Supply, node: str, body_ohm: float) -> float:
    """Current of a dead short from a feed node to the body [A], battery alone.

    The battery's nominal voltage through its internal resistance, the feed and the body.
    """
    ohm = supply.internal_resistance_ohm + net.feed.path_ohm[node] + body_ohm
    return short_circuit_a(supply.nominal_v, ohm)


@rule("fuse-clears", "power", "stop", sources=(ADIABATIC_SOURCE,))
def clears(context: Context) -> Iterator[Finding]:
    """A dead short at the far end opens the fuse in time, and the cable survives until then."""
    net = facts(context).net
    supply = context.plan.supply
    body_ohm = context.plan.assumptions.body_return_ohm
    for each in facts(context).feeds:
        rating = each.protected_a
        run = each.run
        if rating is None or each.edge.problem is not None or run.to_node not in net.feed.parent:
            continue
        fuse = each.protecting[0].fuse if each.protecting else None
        kind = fuse_body(fuse.body) if fuse is not None else FACTORY_BODY
        if kind is None:
            continue
        current = fault_a(net, supply, run.to_node, body_ohm)
        time = opens_by_s(kind, rating, current)
        if time > ADIABATIC_LIMIT_S:
            yield _slow(context, each, rating, kind, current, time)
            continue
        conductor = run.conductor
        k = adiabatic_k(conductor.metal, min(conductor.insulation_c, 200.0))
        area = size(conductor.size).area_mm2 * run.parallel
        withstood = adiabatic_current_a(k, area, max(time, 1e-6))
        if withstood < current:
            yield Finding(
                "fuse-clears",
                "stop",
                f"A dead short at the end of the {run_name(context, run)} draws {current:.0f} A "
                f"for up to {time:.2f} s; its {conductor.size} cable stands {withstood:.0f} A "
                "for that long.",
                (run.id,),
                "Fit a faster or smaller fuse, or a larger cable.",
                ADIABATIC_SOURCE,
                (
                    _fault_figure(net, supply, run, body_ohm, current),
                    Figure(
                        "current the cable survives",
                        withstood,
                        "A",
                        "I = k S / sqrt(t)",
                        f"{k:.1f} x {area:.2f} mm2 / sqrt({time:.3f} s)",
                        ADIABATIC_SOURCE,
                        ("insulation at its rated temperature before the short",),
                    ),
                ),
            )


def _slow(
    context: Context, each: RunFacts, rating: float, kind: Body, current: float, time: float
) -> Finding:
    body_ohm = context.plan.assumptions.body_return_ohm
    slow = "may never open it" if time == float("inf") else f"may take {time:.0f} s to open it"
    return Finding(
        "fuse-clears",
        "stop",
        f"A dead short at the end of the {run_name(context, each.run)} draws {current:.0f} A, "
        f"{current / rating:.1f} times the {rating:g} A fuse, and {slow}; "
        f"{ADIABATIC_LIMIT_S:g} s is the limit.",
        (each.run.id,),
        "Fit a smaller fuse, or a larger or shorter cable.",
        f"{kind.source}; 5 s is where the adiabatic limit ends ({ADIABATIC_SOURCE})",
        (_fault_figure(facts(context).net, context.plan.supply, each.run, body_ohm, current),),
    )


def _fault_figure(
    net: Network, supply: Supply, run: Run, body_ohm: float, current: float
) -> Figure:
    return Figure(
        "dead short at the far end",
        current,
        "A",
        "I = U / (Ri + feed + body)",
        f"{supply.nominal_v:g} V / ({supply.internal_resistance_ohm * 1000:g} + "
        f"{net.feed.path_ohm[run.to_node] * 1000:.2f} + {body_ohm * 1000:g}) mohm",
        "Ohm's law",
        ("battery alone, no alternator", STATUS),
    )


@rule("fuse-breaking", "power", "caution", "note", sources=(SOURCE,))
def breaking(context: Context) -> Iterator[Finding]:
    """A fuse can break the current the battery can drive through it."""
    supply = context.plan.supply
    net = facts(context).net
    joint_ohm = context.plan.assumptions.connection_ohm
    for each in facts(context).feeds:
        run = each.run
        if run.fuse is None or run.from_node not in net.feed.path_ohm:
            continue
        kind = fuse_body(run.fuse.body)
        if kind is None:
            continue
        share = min(1.0, run.fuse.distance_m / run.length_m)
        cable = share * max(0.0, each.edge.ohm - each.edge.fixed_ohm)
        own = resistance_ohm(kind, run.fuse.rating_a)
        joints = max(1, run.connections - 1) * joint_ohm / run.parallel
        before = net.feed.path_ohm[run.from_node]
        source_ohm = supply.internal_resistance_ohm + before
        assumed = ["return without resistance", "the fuse cold, before it opens"]
        nearest = context.devices.get(each.source)
        if nearest is not None and nearest.kind == "battery":
            own_ohm = supply.internal_resistance_ohm
            source_ohm = source_ohm * own_ohm / (source_ohm + own_ohm)
            assumed.insert(0, "both batteries give, the second like the first, no alternator")
        else:
            assumed.insert(0, "battery alone, no alternator")
        ohm = source_ohm + cable + own + joints
        current = short_circuit_a(supply.nominal_v, ohm)
        limit = kind.breaking_a
        if limit is not None and current <= limit:
            continue
        backed = run.from_node != BATTERY and each.upstream_a is not None
        says = "has no published breaking capacity" if limit is None else f"breaks {limit:g} A"
        surer = [
            body.name
            for body in BODIES.values()
            if body.standard and body.breaking_a is not None and body.breaking_a >= current
        ]
        if backed:
            advice = "The fuse before it backs it up; a body with more breaking capacity is surer."
        elif surer:
            advice = f"Use a body that breaks this current next to the battery: {listed(surer)}."
        else:
            advice = (
                "No standard body is rated to break this current: ask for a fuse whose maker's "
                "data sheet says that it does."
            )
        yield Finding(
            "fuse-breaking",
            "note" if backed else "caution",
            f"A dead short just after the {fuse_name(run.fuse)} can reach {current:.0f} A; the "
            f"fuse {says}.",
            (run.id,),
            advice,
            kind.source,
            (
                Figure(
                    "short at the fuse",
                    current,
                    "A",
                    "I = U / (battery and feed to the run + cable + fuse + connections)",
                    f"{supply.nominal_v:g} V / ({source_ohm * 1000:.2f} + {cable * 1000:.2f} + "
                    f"{own * 1000:.2f} + {joints * 1000:.2f}) mohm",
                    "Ohm's law",
                    tuple(assumed),
                ),
            ),
        )


@rule("fuse-in-return", "power", "caution", sources=(PRACTICE,))
def in_return(context: Context) -> Iterator[Finding]:
    """No fuse sits in a return: when it opens, the current finds another way to ground."""
    for each in facts(context).returns:
        if each.run.fuse is None and each.run.far_fuse is None:
            continue
        yield Finding(
            "fuse-in-return",
            "caution",
            f"There is a fuse in the {run_name(context, each.run)}: when it opens, the current "
            "comes back over signal cables and their shields.",
            (each.run.id,),
            "Fuse the feed, and run the return through.",
            PRACTICE,
        )


@rule("fuse-order", "power", "caution", "note", sources=(SELECTIVE_SOURCE, PRACTICE))
def order(context: Context) -> Iterator[Finding]:
    """The fuse nearest a fault opens first: main clearly larger than branch."""
    for each in facts(context).feeds:
        fuse, main = each.run.fuse, each.upstream_a
        if fuse is None or main is None or main >= SELECTIVE_RATIO * fuse.rating_a:
            continue
        larger = fuse.rating_a > main
        yield Finding(
            "fuse-order",
            "caution" if larger else "note",
            f"The {fuse_name(fuse)} of the {run_name(context, each.run)} is "
            + ("larger than" if larger else "close to")
            + f" the {main:g} A fuse before it: either may open first.",
            (each.run.id, *(run.id for run in each.upstream)),
            f"A main fuse of at least {SELECTIVE_RATIO * fuse.rating_a:.0f} A lets the branch "
            "open alone, if the main cable allows it.",
            SELECTIVE_SOURCE if not larger else PRACTICE,
        )
