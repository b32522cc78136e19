"""What the power rules need of each run, worked out once per plan."""

from collections.abc import Iterable
from typing import Final, NamedTuple

import msgspec

from wiring.context import Context, worked_out_once
from wiring.plan import Fuse, Run
from wiring.power.demand import demands
from wiring.power.network import (
    BATTERY,
    FACTORY_FEED,
    Edge,
    Network,
    converted,
    converter_before,
    network,
)
from wiring.power.solution import Operating, operating

SOURCE_KINDS: Final = frozenset({"battery"})
"""Kinds of devices that drive a fault current of their own into a cable."""


class RunFacts(NamedTuple):
    """One run: its currents, what it supplies and what protects it.

    `full_a` is the solved current at full output (or at the charging voltage where nothing
    solves), `music_a` the long-term one at the charging voltage. `devices` are the ids of the
    devices it carries current for. `upstream_a` is the rating of the fuse or fuses before it,
    None when there is none, and `upstream` the runs they are in (none for the car's own fuse).
    `unfused_m` is the length of cable without a fuse between the battery and its start.
    `protected_a` is the rating that protects its far end: its own fuse, else the one upstream.
    `source` is the source it hangs from: the battery, or the id of another. A run entered
    against its current is turned round here, which `turned` says.
    """

    run: Run
    edge: Edge
    full_a: float
    music_a: float
    devices: tuple[str, ...]
    upstream_a: float | None
    upstream: tuple[Run, ...]
    unfused_m: float
    source: str = BATTERY
    turned: bool = False

    @property
    def protected_a(self) -> float | None:
        """Rating of the fuse that protects the run's far end [A]."""
        return self.run.fuse.rating_a if self.run.fuse is not None else self.upstream_a

    @property
    def protecting(self) -> tuple[Run, ...]:
        """The runs whose fuses protect this run's far end."""
        return (self.run,) if self.run.fuse is not None else self.upstream


class Facts(NamedTuple):
    """All runs of a plan with their facts, and the point at full output (None: no solution)."""

    net: Network
    point: Operating | None
    feeds: tuple[RunFacts, ...]
    returns: tuple[RunFacts, ...]
    by_id: dict[str, RunFacts]


_Before = tuple[float | None, tuple[Run, ...], float, str]
"""Before a node: rating of the fuses [A], the runs they are in, bare cable [m], the source."""

_NOTHING: Final[_Before] = (None, (), 0.0, BATTERY)


class _Upstream:
    """Follows feeds back to their source; a loop counts as no protection."""

    def __init__(
        self, runs: Iterable[Run], sources: Iterable[str], factory_fuse_a: float | None
    ) -> None:
        self.feeders: dict[str, list[Run]] = {}
        for run in runs:
            if run.kind == "feed":
                self.feeders.setdefault(run.to_node, []).append(run)
        self.known: dict[str, _Before] = {source: (None, (), 0.0, source) for source in sources}
        self.known[FACTORY_FEED] = (factory_fuse_a, (), 0.0, FACTORY_FEED)

    def of(self, node: str) -> _Before:
        known = self.known.get(node)
        if known is not None:
            return known
        self.known[node] = _NOTHING
        rating = 0.0
        source = BATTERY
        fused: tuple[Run, ...] = ()
        bare_m: float | None = None
        for run in self.feeders.get(node, ()):
            if run.fuse is not None:
                rating += run.fuse.rating_a
                fused += (run,)
                continue
            before_a, before, before_m, source = self.of(run.from_node)
            if before_a is None:
                bare_m = max(bare_m or 0.0, before_m + run.length_m)
            else:
                rating += before_a
                fused += before
        upstream: _Before = (
            (rating, fused, 0.0, source)
            if bare_m is None and rating
            else (None, (), bare_m or 0.0, source)
        )
        self.known[node] = upstream
        return upstream


def sources(context: Context) -> tuple[str, ...]:
    """Nodes that drive a fault current for long: the battery, and each other battery.

    A capacitor is none: 1 F at 14 V holds 98 J, which warm a metre of 25 mm2 copper by 1 K
    (3.45 J per kelvin and cm3, IEC 60949:1988, from memory). A bank that holds enough to burn a
    cable is entered as a battery.
    """
    others = (one.id for one in context.plan.devices if one.kind in SOURCE_KINDS)
    return (BATTERY, *others)


def factory_fuse_a(context: Context) -> float | None:
    """Rating of the fuse before the car's own supply wire [A], None where nobody has said it."""
    feed = context.plan.supply.factory_feed
    return None if feed is None else feed.fuse_a


def supplied_v(context: Context, node: str) -> float:
    """The voltage a node is fed with before anything is lost [V]: that of the last converter
    before it, else the charging voltage."""
    device = converter_before(context, facts(context).net, node)
    if device is None or device.output_v is None:
        return context.plan.supply.charging_v
    return device.output_v


def between_sources(context: Context) -> frozenset[str]:
    """Ids of the runs that lie between two sources, whose far ends need a fuse too."""
    parent = facts(context).net.feed.parent
    between: set[str] = set()
    for node in sources(context)[1:]:
        while node in parent:
            edge, node = parent[node]
            if edge.run is not None:
                between.add(edge.run.id)
    return frozenset(between)


def _along_its_current(run: Run, edge: Edge) -> Run:
    """The run as its current runs: nodes swapped where everything flows against how it stands.

    Where the fuse sits is taken as measured from the source's end all the same.
    """
    carried = [share for share in edge.shares if abs(share) > 1e-9]
    if not carried or any(share > 0 for share in carried):
        return run
    return msgspec.structs.replace(run, from_node=run.to_node, to_node=run.from_node)


@worked_out_once
def facts(context: Context) -> Facts:
    """The facts of a plan, worked out once per context."""
    net = network(context)
    point = operating(context, "full", "cruising")
    draws = demands(context)
    supply_v = context.plan.supply.charging_v
    music = [draws[port].music_w / supply_v for port in net.ports]
    full = point.amps if point else [draws[port].full_w / supply_v for port in net.ports]
    runs = [_along_its_current(run, net.edges[run.id]) for run in context.plan.runs]
    upstream = _Upstream(runs, sources(context), factory_fuse_a(context))
    feeds: list[RunFacts] = []
    returns: list[RunFacts] = []
    ports = net.ports
    behind = [converted(context, net, port) for port in ports]
    for entered, run in zip(context.plan.runs, runs, strict=True):
        edge = net.edges[run.id]
        is_feed = run.kind == "feed"
        full_a = music_a = 0.0
        carried: list[str] = []
        times = converted(context, net, run.to_node) if is_feed else None
        for index, share in enumerate(edge.shares):
            if share:
                rise = times or max(1.0, behind[index])
                full_a += share * full[index] * rise
                music_a += share * music[index] * rise
                carried.append(ports[index])
        run_facts = RunFacts(
            run,
            edge,
            abs(full_a),
            abs(music_a),
            tuple(carried),
            *(upstream.of(run.from_node) if is_feed else _NOTHING),
            run is not entered,
        )
        (feeds if is_feed else returns).append(run_facts)
    return Facts(
        net,
        point,
        tuple(feeds),
        tuple(returns),
        {each.run.id: each for each in (*feeds, *returns)},
    )


def node_name(context: Context, node: str) -> str:
    """What to call a node: the device's name, else the node's own."""
    device = context.devices.get(node)
    return node if device is None else device.name


def source_name(context: Context, each: RunFacts) -> str:
    """What to call the source a run hangs from."""
    return "the battery" if each.source == BATTERY else node_name(context, each.source)


def run_name(context: Context, run: Run) -> str:
    """What to call a run: where it goes from and to."""
    return (
        f"{run.kind} from {node_name(context, run.from_node)} to {node_name(context, run.to_node)}"
    )


def fuse_name(fuse: Fuse) -> str:
    """What to call a fuse."""
    return f"{fuse.rating_a:g} A {fuse.body} fuse"
