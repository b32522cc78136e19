"""Proposals: the smallest cable and its fuse with which a run meets every power rule.

A proposal is tried, not reasoned: each size in turn is put in the plan and the power rules are
run. The first size that leaves no stop or caution on the run, and adds none elsewhere, is it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import msgspec

from wiring.context import RULES, Context
from wiring.errors import WiringError
from wiring.findings import Figure, Finding
from wiring.plan import Conductor, Fuse, Metal, Plan, Run
from wiring.power.conductors import GAUGES, METRIC, ConductorError, Size, ampacity, size
from wiring.power.explain import ampacity_figure
from wiring.power.facts import RunFacts, facts
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
from wiring.rules.fuses import allowed_rating_a, distance_limit_m

POWER_RULES: Final = tuple(
    each.examine
    for each in RULES.values()
    if each.examine.__module__ in (power_rules.__name__, fuse_rules.__name__)
)
FALLBACK_BODIES: Final = ("bolt-in 30 mm", "bolt-in 51 mm", "strip")
OVERSIZE: Final = 2.0


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
    """

    run_id: str
    metal: Metal
    conductor: Conductor | None
    fuse: Fuse | None
    plan: Plan | None
    reason: str
    rejected: tuple[Rejected, ...]
    figures: tuple[Figure, ...]


def propose(plan: Plan, run_id: str, metal: Metal = "copper") -> Proposal:
    """Propose the smallest cable of a metal, with its fuse, for one run; the rest stays as it is.

    Sizes are those of the run's own kind (gauge or mm2); insulation, lay, number of cables and
    place are kept. Raises WiringError when the plan has no such run.
    """
    run = _run(plan, run_id)
    return _first(plan, run, _sizes(run), metal)


def recommend_fuse(plan: Plan, run_id: str) -> Proposal:
    """Propose the fuse for the cable a run already has. Raises WiringError without such a run.

    `conductor` and `plan` are None when no fuse makes the run pass with that cable.
    """
    run = _run(plan, run_id)
    try:
        own = size(run.conductor.size)
    except ConductorError as error:
        return Proposal(run_id, run.conductor.metal, None, None, None, str(error), (), ())
    return _first(plan, run, (own,), run.conductor.metal)


def _run(plan: Plan, run_id: str) -> Run:
    run = next((each for each in plan.runs if each.id == run_id), None)
    if run is None:
        raise WiringError("run_id", f"the plan has no run {run_id!r}")
    return run


def _first(plan: Plan, run: Run, sizes: tuple[Size, ...], metal: Metal) -> Proposal:
    run_id = run.id
    before = {_mark(finding) for finding in _findings(plan) if run_id not in finding.where}
    rejected: list[Rejected] = []
    for candidate in sizes:
        proposal, reason = _fit(plan, run, candidate, metal, before)
        if proposal is not None:
            chosen = next(each for each in proposal.runs if each.id == run_id)
            return Proposal(
                run_id,
                metal,
                chosen.conductor,
                chosen.fuse,
                proposal,
                f"{rejected[-1].size} fails: {rejected[-1].reason}"
                if rejected
                else "there is no smaller size to try",
                tuple(rejected),
                _figures(proposal, chosen),
            )
        rejected.append(Rejected(candidate.label, reason))
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


def _sizes(run: Run) -> tuple[Size, ...]:
    try:
        gauge = size(run.conductor.size).gauge is not None
    except ConductorError:
        gauge = True
    return GAUGES if gauge else METRIC


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
    plan: Plan, run: Run, candidate: Size, metal: Metal, before: set[tuple[str, str]]
) -> tuple[Plan | None, str]:
    """The plan with this size and the first fuse that makes it pass, or None and why not."""
    conductor = msgspec.structs.replace(run.conductor, size=candidate.label, metal=metal)
    bare = msgspec.structs.replace(run, conductor=conductor)
    reason = ""
    for tried in _with_fuses(plan, bare):
        fitted = _with(plan, tried)
        against = next(
            (
                finding
                for finding in _findings(fitted)
                if run.id in finding.where or _mark(finding) not in before
            ),
            None,
        )
        if against is None:
            return fitted, ""
        reason = reason or against.title
    return None, reason or "no standard fuse carries the load and protects the cable"


def _with_fuses(plan: Plan, run: Run) -> Iterator[Run]:
    """The run with each fuse worth trying, smallest rating first; returns need none.

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
    most = min(
        allowed_rating_a(plan.assumptions, allowed.current_a * run.parallel),
        OVERSIZE * max(least, _largest_branch_a(plan, run)),
    )
    fitted = False
    for kind in _bodies(run):
        for rating in kind.ratings_a:
            if least <= rating <= most:
                fitted = True
                yield msgspec.structs.replace(run, fuse=_fuse(plan, run, run_facts, kind, rating))
    if not fitted and run.fuse is not None:
        yield run


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


def _bodies(run: Run) -> list[Body]:
    names = list(FALLBACK_BODIES)
    if run.fuse is not None:
        try:
            own = body(run.fuse.body).name
        except FuseError:
            pass
        else:
            names = [own, *(name for name in names if name != own)]
    return [BODIES[name] for name in names]


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
