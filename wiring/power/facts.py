"""What the power rules need of each run, worked out once per plan."""

from typing import NamedTuple

from wiring.context import Context, worked_out_once
from wiring.plan import Fuse, Run
from wiring.power.demand import demands
from wiring.power.network import BATTERY, Edge, Network, network
from wiring.power.solution import Operating, operating


class RunFacts(NamedTuple):
    """One run: its currents, what it supplies and what protects it.

    `full_a` is the solved current at full output (or at the charging voltage where nothing
    solves), `music_a` the long-term one at the charging voltage. `devices` are the ids of the
    devices it carries current for. `upstream_a` is the rating of the fuse or fuses before it,
    None when there is none, and `upstream` the runs they are in. `unfused_m` is the length of
    cable without a fuse between the battery and its start. `protected_a` is the rating that
    protects its far end: its own fuse, else the one upstream.
    """

    run: Run
    edge: Edge
    full_a: float
    music_a: float
    devices: tuple[str, ...]
    upstream_a: float | None
    upstream: tuple[Run, ...]
    unfused_m: float

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


class _Upstream:
    """Follows feeds back to the battery; a loop counts as no protection."""

    def __init__(self, runs: tuple[Run, ...]) -> None:
        self.feeders: dict[str, list[Run]] = {}
        for run in runs:
            if run.kind == "feed":
                self.feeders.setdefault(run.to_node, []).append(run)
        self.known: dict[str, tuple[float | None, tuple[Run, ...], float]] = {
            BATTERY: (None, (), 0.0)
        }

    def of(self, node: str) -> tuple[float | None, tuple[Run, ...], float]:
        known = self.known.get(node)
        if known is not None:
            return known
        self.known[node] = (None, (), 0.0)
        rating = 0.0
        fused: tuple[Run, ...] = ()
        bare_m: float | None = None
        for run in self.feeders.get(node, ()):
            if run.fuse is not None:
                rating += run.fuse.rating_a
                fused += (run,)
                continue
            before_a, before, before_m = self.of(run.from_node)
            if before_a is None:
                bare_m = max(bare_m or 0.0, before_m + run.length_m)
            else:
                rating += before_a
                fused += before
        upstream = (rating, fused, 0.0) if bare_m is None and fused else (None, (), bare_m or 0.0)
        self.known[node] = upstream
        return upstream


_NOTHING: tuple[None, tuple[Run, ...], float] = (None, (), 0.0)


@worked_out_once
def facts(context: Context) -> Facts:
    """The facts of a plan, worked out once per context."""
    net = network(context)
    point = operating(context, "full", "cruising")
    draws = demands(context)
    supply_v = context.plan.supply.charging_v
    music = [draws[port].music_w / supply_v for port in net.ports]
    full = point.amps if point else [draws[port].full_w / supply_v for port in net.ports]
    upstream = _Upstream(context.plan.runs)
    feeds: list[RunFacts] = []
    returns: list[RunFacts] = []
    ports = net.ports
    for run in context.plan.runs:
        edge = net.edges[run.id]
        is_feed = run.kind == "feed"
        full_a = music_a = 0.0
        carried: list[str] = []
        for index, share in enumerate(edge.shares):
            if share:
                full_a += share * full[index]
                music_a += share * music[index]
                carried.append(ports[index])
        run_facts = RunFacts(
            run,
            edge,
            abs(full_a),
            abs(music_a),
            tuple(carried),
            *(upstream.of(run.from_node) if is_feed else _NOTHING),
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


def run_name(context: Context, run: Run) -> str:
    """What to call a run: where it goes from and to."""
    start, end = node_name(context, run.from_node), node_name(context, run.to_node)
    return f"{run.kind} from {start} to {end}"


def fuse_name(fuse: Fuse) -> str:
    """What to call a fuse."""
    return f"{fuse.rating_a:g} A {fuse.body} fuse"
