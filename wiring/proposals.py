"""Proposals: the smallest cable and its fuse with which a run meets every power rule.

A proposal is tried, not reasoned: each size in turn is put in the plan and the power rules are
run. The first size that leaves no stop or caution on the run, and adds none elsewhere, is it.
What the shop keeps is tried before what a standard knows.

Safety comes before comfort: where every cable loses more than the shop allows, the smallest one
that is safe is proposed with its fuse, what it loses is said beside it, and which limit the
largest cable would ask to be relaxed, by how much.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil
from typing import Final, NamedTuple

import msgspec

from wiring.context import RULES, Context
from wiring.errors import WiringError
from wiring.findings import Figure, Finding
from wiring.plan import Conductor, Fuse, Metal, Plan, Run
from wiring.power.conductors import GAUGES, METRIC, ConductorError, ampacity, size
from wiring.power.drops import STATE_WORDS, drops
from wiring.power.explain import ampacity_figure
from wiring.power.facts import RunFacts, between_sources, facts, node_name, sources
from wiring.power.fuses import (
    BODIES,
    CONTINUOUS_FRACTION,
    CONTINUOUS_SOURCE,
    Body,
    FuseError,
    body,
    rating_at_ambient_a,
)
from wiring.power.network import ambient_c
from wiring.rules import fuses as fuse_rules, power as power_rules
from wiring.rules.limits import allowed_rating_a, distance_limit_m

POWER_RULES: Final = tuple(
    each.examine
    for each in RULES.values()
    if each.examine.__module__ in (power_rules.__name__, fuse_rules.__name__)
)
FALLBACK_BODIES: Final = ("bolt-in 30 mm", "bolt-in 51 mm", "strip")
OVERSIZE: Final = 2.0
COMFORT: Final = frozenset({"power-drop"})
"""Rules about how well it plays, not about what can burn: the shop sets their limits."""


class StockCable(NamedTuple):
    """A cable the shop keeps: `product` is its key, `insulation_c` None where it is not known."""

    product: str
    name: str
    size: str
    metal: Metal
    insulation_c: float | None


class StockFuse(NamedTuple):
    """A fuse the shop keeps."""

    product: str
    name: str
    body: str
    rating_a: float


class Stock(NamedTuple):
    """What the shop keeps of cables and fuses."""

    cables: tuple[StockCable, ...] = ()
    fuses: tuple[StockFuse, ...] = ()


NO_STOCK: Final = Stock()


@dataclass(frozen=True, slots=True)
class Rejected:
    """A size that will not do, and the finding that says why."""

    size: str
    reason: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """What to fit in a run.

    `conductor`, `fuse` and `plan` (the plan with both put in) are None when no size will do;
    `fuse` is also None where the run needs none of its own. `reason` says why the next size
    down fails, or why no size will do. `rejected` lists every smaller size, smallest first.

    `drops` are the findings about lost voltage that stay although the proposal is safe, and
    `relax` says which of the shop's limits to relax, and to what. `cable` and `fuse_kept` are the
    products of the shop that the proposal takes, None where it keeps none such.
    """

    run_id: str
    metal: Metal
    conductor: Conductor | None
    fuse: Fuse | None
    plan: Plan | None
    reason: str
    rejected: tuple[Rejected, ...]
    figures: tuple[Figure, ...]
    drops: tuple[Finding, ...] = ()
    relax: str = ""
    cable: StockCable | None = None
    fuse_kept: StockFuse | None = None

    @property
    def far_fuse(self) -> Fuse | None:
        """The fuse at the run's far end, where another source drives the cable from there."""
        if self.plan is None:
            return None
        return next(one.far_fuse for one in self.plan.runs if one.id == self.run_id)


class _Candidate(NamedTuple):
    """A cable to try: what it is, and the product it comes from."""

    conductor: Conductor
    label: str
    area_mm2: float
    cable: StockCable | None


class _Tried(NamedTuple):
    """A candidate in the plan with the first fuse that makes it safe, and what is lost then."""

    candidate: _Candidate
    plan: Plan
    drops: tuple[Finding, ...]


def propose(plan: Plan, run_id: str, metal: Metal = "copper", stock: Stock = NO_STOCK) -> Proposal:
    """Propose the smallest cable of a metal, with its fuse, for one run; the rest stays as it is.

    Cables and fuses of the shop come first, then sizes of the run's own kind (gauge or mm2);
    insulation, lay, number of cables and place are kept where the shop's cable says nothing
    else. Raises WiringError when the plan has no such run.
    """
    run = _run(plan, run_id)
    return _first(plan, run, [*_kept(run, metal, stock), *_sizes(run, metal)], metal, stock)


def recommend_fuse(plan: Plan, run_id: str, stock: Stock = NO_STOCK) -> Proposal:
    """Propose the fuse for the cable a run already has. Raises WiringError without such a run.

    `conductor` and `plan` are None when no fuse makes the run safe with that cable.
    """
    run = _run(plan, run_id)
    try:
        own = size(run.conductor.size)
    except ConductorError as error:
        return Proposal(run_id, run.conductor.metal, None, None, None, str(error), (), ())
    fitted = _Candidate(run.conductor, own.label, own.area_mm2, None)
    return _first(plan, run, [fitted], run.conductor.metal, stock)


def _run(plan: Plan, run_id: str) -> Run:
    run = next((each for each in plan.runs if each.id == run_id), None)
    if run is None:
        raise WiringError("run_id", f"the plan has no run {run_id!r}")
    return run


def _first(
    plan: Plan, run: Run, candidates: list[_Candidate], metal: Metal, stock: Stock
) -> Proposal:
    run_id = run.id
    before = {_mark(finding) for finding in _findings(plan) if run_id not in finding.where}
    rejected: list[Rejected] = []
    safe: list[_Tried] = []
    for candidate in candidates:
        tried, reason = _fit(plan, run, candidate, before, stock)
        if tried is not None and not tried.drops:
            return _proposal(run_id, metal, tried, tuple(rejected), "", stock)
        if tried is not None:
            safe.append(tried)
        if all(each.size != candidate.label for each in rejected):
            rejected.append(Rejected(candidate.label, reason))
    if safe:
        least = min(safe, key=lambda each: (each.candidate.cable is None, each.candidate.area_mm2))
        best = max(safe, key=lambda each: each.candidate.area_mm2)
        smaller = tuple(
            each for each in rejected if _area(each.size) < least.candidate.area_mm2 * 0.999
        )
        return _proposal(run_id, metal, least, smaller, _relax(best, run_id), stock)
    return Proposal(
        run_id,
        metal,
        None,
        None,
        None,
        f"no size will do; with {rejected[-1].size}: {rejected[-1].reason}",
        tuple(rejected),
        (),
    )


def _area(label: str) -> float:
    return size(label).area_mm2


def _proposal(
    run_id: str,
    metal: Metal,
    tried: _Tried,
    rejected: tuple[Rejected, ...],
    relax: str,
    stock: Stock,
) -> Proposal:
    chosen = next(each for each in tried.plan.runs if each.id == run_id)
    fuse = chosen.fuse
    kept = next(
        (
            each
            for each in stock.fuses
            if fuse is not None and (each.body, each.rating_a) == (fuse.body, fuse.rating_a)
        ),
        None,
    )
    return Proposal(
        run_id,
        metal,
        chosen.conductor,
        fuse,
        tried.plan,
        f"{rejected[-1].size} fails: {rejected[-1].reason}"
        if rejected
        else "there is no smaller size to try",
        rejected,
        _figures(tried.plan, chosen),
        tried.drops,
        relax,
        tried.candidate.cable,
        kept,
    )


def _relax(best: _Tried, run_id: str) -> str:
    """Which limit of the shop to relax, and to what, so that the best cable would meet it."""
    context = Context(best.plan)
    ports = set(facts(context).by_id[run_id].devices)
    told = []
    for state in ("music", "full"):
        over = [
            each
            for each in drops(context)
            if each.state == state and each.over and each.device_id in ports
        ]
        if not over:
            continue
        worst = max(over, key=lambda each: each.fraction)
        enough = ceil(worst.fraction * 1000) / 1000
        told.append(
            f"{STATE_WORDS[worst.state]} even {best.candidate.label} leaves a loss of "
            f"{worst.fraction:.1%} at {node_name(context, worst.device_id)}: relax that limit from "
            f"{worst.limit:.1%} to {enough:.1%}"
        )
    return "; ".join(told)


def _kept(run: Run, metal: Metal, stock: Stock) -> list[_Candidate]:
    """The shop's cables of a metal, smallest first; one of no known size is left out."""
    found = []
    for cable in stock.cables:
        if cable.metal != metal:
            continue
        try:
            known = size(cable.size)
        except ConductorError:
            continue
        conductor = msgspec.structs.replace(
            run.conductor,
            size=known.label,
            metal=metal,
            insulation_c=cable.insulation_c or run.conductor.insulation_c,
        )
        found.append(_Candidate(conductor, known.label, known.area_mm2, cable))
    return sorted(found, key=lambda each: each.area_mm2)


def _sizes(run: Run, metal: Metal) -> list[_Candidate]:
    try:
        gauge = size(run.conductor.size).gauge is not None
    except ConductorError:
        gauge = True
    return [
        _Candidate(
            msgspec.structs.replace(run.conductor, size=each.label, metal=metal),
            each.label,
            each.area_mm2,
            None,
        )
        for each in (GAUGES if gauge else METRIC)
        if each.common
    ]


def _findings(plan: Plan) -> list[Finding]:
    context = Context(plan)
    return [
        finding
        for examine in POWER_RULES
        for finding in examine(context)
        if finding.severity != "note"
    ]


def _mark(finding: Finding) -> tuple[str, str]:
    """A finding without its numbers: a caution that turns into a stop is a new one."""
    return finding.fingerprint, finding.severity


def _with(plan: Plan, run: Run) -> Plan:
    runs = tuple(run if each.id == run.id else each for each in plan.runs)
    return msgspec.structs.replace(plan, runs=runs)


def _fit(
    plan: Plan,
    run: Run,
    candidate: _Candidate,
    before: set[tuple[str, str]],
    stock: Stock,
) -> tuple[_Tried | None, str]:
    """The plan with this cable and the first fuse that makes it safe, and what is against it."""
    bare = msgspec.structs.replace(run, conductor=candidate.conductor)
    reason = ""
    for tried in _with_fuses(plan, bare, stock):
        fitted = _with(plan, tried)
        against = [
            finding
            for finding in _findings(fitted)
            if run.id in finding.where or _mark(finding) not in before
        ]
        unsafe = next((each for each in against if each.rule not in COMFORT), None)
        if unsafe is None:
            title = against[0].title if against else ""
            return _Tried(candidate, fitted, tuple(against)), title
        reason = reason or unsafe.title
    return None, reason or "no standard fuse carries the load and protects the cable"


def _with_fuses(plan: Plan, run: Run, stock: Stock) -> Iterator[Run]:
    """The run with each fuse worth trying, the shop's first, smallest rating first; returns need
    none.

    Worth trying is from the load up to twice it (or twice the largest branch fuse): a fuse far
    over its load clears faults late (common practice).
    """
    if run.kind == "return":
        yield run
        return
    run_facts = facts(Context(_with(plan, run))).by_id[run.id]
    if run.fuse is None and run_facts.upstream_a is not None:
        yield run
    try:
        conductor = run.conductor
        allowed = ampacity(
            conductor.size,
            conductor.metal,
            conductor.insulation_c,
            ambient_c(plan.assumptions, run),
            run.bundled,
        )
    except ConductorError:
        yield run
        return
    least = _least_rating_a(run_facts)
    protects = allowed_rating_a(plan.assumptions, allowed.current_a * run.parallel)
    if run.id in between_sources(Context(_with(plan, run))):
        yield from _fused_at_both_ends(plan, run, run_facts, stock, (least, protects))
        return
    most = min(
        protects,
        OVERSIZE * max(least, _largest_branch_a(plan, run)),
    )
    fitted = False
    for kind, ratings_a in _fuses(run, stock):
        for rating in ratings_a:
            if least <= rating <= most:
                fitted = True
                yield msgspec.structs.replace(run, fuse=_fuse(plan, run, run_facts, kind, rating))
    if not fitted and run.fuse is not None:
        yield run


def _fused_at_both_ends(
    plan: Plan, run: Run, run_facts: RunFacts, stock: Stock, limits: tuple[float, float]
) -> Iterator[Run]:
    """A run between two sources with each rating worth trying, the largest first: how much flows
    from one source to the other is not known, so the cable alone says what its fuses may be."""
    least, most = limits
    at_the_source = run.to_node in sources(Context(plan))
    limit_m, _ = distance_limit_m(plan.assumptions, run)
    for kind, ratings_a in _fuses(run, stock):
        for rating in reversed(ratings_a):
            if not least <= rating <= most:
                continue
            near = _fuse(plan, run, run_facts, kind, rating)
            fused = run
            if run.fuse is not None or run_facts.upstream_a is None:
                fused = msgspec.structs.replace(run, fuse=near)
            if at_the_source:
                far = Fuse(rating, kind.name, min(0.2, limit_m, run.length_m))
                fused = msgspec.structs.replace(fused, far_fuse=far)
            yield fused


def _least_rating_a(run_facts: RunFacts) -> float:
    """Smallest rating that carries the run's load in its air [A]."""
    warm = rating_at_ambient_a(1.0, min(125.0, run_facts.edge.ambient_c))
    return 0.999 * max(run_facts.full_a, run_facts.music_a / CONTINUOUS_FRACTION) / warm


def _largest_branch_a(plan: Plan, run: Run) -> float:
    """Largest fuse in a feed that starts where this run ends [A], 0 without one."""
    return max(
        (
            each.fuse.rating_a
            for each in plan.runs
            if each.kind == "feed" and each.fuse is not None and each.from_node == run.to_node
        ),
        default=0.0,
    )


def _fuses(run: Run, stock: Stock) -> Iterator[tuple[Body, tuple[float, ...]]]:
    """Bodies with ratings to try: the shop's fuses of the run's own body and of others, then
    every rating of the standard bodies."""
    kept: dict[str, list[float]] = {}
    for fuse in stock.fuses:
        if fuse.body in BODIES and fuse.rating_a in BODIES[fuse.body].ratings_a:
            kept.setdefault(fuse.body, []).append(fuse.rating_a)
    own = ""
    if run.fuse is not None:
        try:
            own = body(run.fuse.body).name
        except FuseError:
            own = ""
    for name in sorted(kept, key=lambda each: each != own):
        yield BODIES[name], tuple(sorted(kept[name]))
    for name in dict.fromkeys([*([own] if own else []), *FALLBACK_BODIES]):
        yield BODIES[name], BODIES[name].ratings_a


def _fuse(plan: Plan, run: Run, run_facts: RunFacts, kind: Body, rating_a: float) -> Fuse:
    limit, _ = distance_limit_m(plan.assumptions, run)
    room = max(0.0, limit - run_facts.unfused_m)
    now = run.fuse.distance_m if run.fuse is not None else min(0.2, run.length_m)
    return Fuse(rating_a, kind.name, min(now, room, run.length_m))


def _figures(plan: Plan, run: Run) -> tuple[Figure, ...]:
    run_facts = facts(Context(plan)).by_id[run.id]
    warm = rating_at_ambient_a(1.0, min(125.0, run_facts.edge.ambient_c))
    figures = [ampacity_figure(run, plan.assumptions)]
    if run.fuse is not None:
        figures.append(
            Figure(
                "smallest fuse for the load",
                max(run_facts.full_a, run_facts.music_a / CONTINUOUS_FRACTION) / warm,
                "A",
                "larger of I(full) and I(music) / 0.8, over the rating's share left in warm air",
                f"max({run_facts.full_a:.1f}, {run_facts.music_a:.1f} / 0.8) A / {warm:.3f}",
                CONTINUOUS_SOURCE,
            )
        )
    return tuple(figures)
