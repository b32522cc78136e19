"""The power network: which cable carries which device, and the voltage each device is left with.

Feeds hang from battery positive, returns from battery negative, the body joined to it through the
body's own resistance. The linear part is worked out once: `shares` (how much of each device's
current a cable carries) and `transfer_ohm` (volts lost at one device per ampere into another).
What is left is one equation per device,

    F_k(V) = V_k - E + sum_j (Z_kj + R) I_j(V_j) = 0,

solved by Newton's method from V = E. With constant-power loads I = P / V is convex and falling
and Z is not negative, so each F_k is convex with a Jacobian whose off-diagonal is not positive.
Where a solution exists Newton then falls monotonically onto the highest one (Ortega and
Rheinboldt 1970, 13.3.4); where none exists it meets a pivot or a voltage that is not positive.
"""

from collections.abc import Sequence
from typing import Final

from wiring.context import Context, worked_out_once
from wiring.errors import WiringError
from wiring.plan import Assumptions, Run
from wiring.power.conductors import (
    ConductorError,
    ampacity,
    conductor_temperature_c,
    resistance_20_ohm_per_m,
    temperature_coefficient,
)
from wiring.power.demand import demands
from wiring.power.fuses import BODIES, FuseError, body, resistance_ohm

BATTERY: Final = "battery"
BODY: Final = "body"
UNKNOWN_OHM: Final = 1e-6
NEWTON_STEPS: Final = 60
NEWTON_TOLERANCE: Final = 1e-10

Matrix = list[list[float]]


class Edge:
    """One cable (or the car's body, `run` None) with its resistance and what it carries.

    `problem` says why its conductor could not be worked out; its resistance then counts as none.
    """

    __slots__ = (
        "allowed_a",
        "ambient_c",
        "coefficient",
        "conductor_c",
        "far",
        "fixed_ohm",
        "near",
        "ohm",
        "ohm_20",
        "problem",
        "run",
        "shares",
    )

    def __init__(self, run: Run | None, near: str, far: str, ohm: float) -> None:
        self.run = run
        self.near = near
        self.far = far
        self.ohm_20 = 0.0
        self.coefficient = 0.0
        self.fixed_ohm = ohm
        self.ohm = ohm
        self.allowed_a = 0.0
        self.ambient_c = 20.0
        self.conductor_c = 20.0
        self.problem: WiringError | None = None
        self.shares: list[float] = []


def ambient_c(assumptions: Assumptions, run: Run) -> float:
    """Air temperature taken where the run lies [degC]."""
    return assumptions.cabin_c if run.place == "cabin" else assumptions.engine_bay_c


def edge_of(run: Run, assumptions: Assumptions) -> Edge:
    """A run as an edge, its conductor at the air's temperature."""
    conductor = run.conductor
    fixed = run.connections * assumptions.connection_ohm / run.parallel
    if run.fuse is not None:
        kind = BODIES.get(run.fuse.body)
        if kind is None:
            try:
                kind = body(run.fuse.body)
            except FuseError:
                kind = BODIES["blade"]
        fixed += resistance_ohm(kind, run.fuse.rating_a)
    edge = Edge(run, run.from_node, run.to_node, fixed)
    edge.ambient_c = edge.conductor_c = ambient_c(assumptions, run)
    try:
        per_metre = resistance_20_ohm_per_m(conductor.size, conductor.metal, conductor.stranding)
        edge.ohm_20 = per_metre * run.length_m / run.parallel
        edge.coefficient = temperature_coefficient(conductor.metal)
        allowed = ampacity(
            conductor.size,
            conductor.metal,
            conductor.insulation_c,
            edge.ambient_c,
            run.bundled,
        )
        edge.allowed_a = allowed.current_a * run.parallel
    except ConductorError as error:
        edge.problem = error
    warm(edge, edge.conductor_c)
    return edge


def warm(edge: Edge, conductor_c: float) -> None:
    """Set the conductor's temperature [degC], and with it the edge's resistance."""
    edge.conductor_c = conductor_c
    hot = edge.ohm_20 * (1.0 + edge.coefficient * (conductor_c - 20.0))
    edge.ohm = max(UNKNOWN_OHM, hot + edge.fixed_ohm)


class Side:
    """All feeds, or all returns, as seen from one battery terminal.

    `sign` is +1 where current runs away from the battery (feeds), -1 where it runs back.
    `parent` maps each node reached to the edge towards the battery and the node behind it.
    `meshed` when some node can be reached two ways: currents then divide by resistance.
    """

    __slots__ = ("astray", "edges", "meshed", "parent", "path_ohm", "sign")

    def __init__(self, edges: Sequence[Edge], sign: int) -> None:
        self.sign = sign
        self.parent: dict[str, tuple[Edge, str]] = {}
        self.path_ohm: dict[str, float] = {}
        near: dict[str, list[Edge]] = {}
        for edge in edges:
            near.setdefault(edge.near, []).append(edge)
            near.setdefault(edge.far, []).append(edge)
        reached = [BATTERY]
        for node in reached:
            for edge in near.get(node, ()):
                other = edge.far if edge.near == node else edge.near
                if other != BATTERY and other not in self.parent:
                    self.parent[other] = (edge, node)
                    reached.append(other)
        self.edges = [e for e in edges if e.near in self.parent or e.far in self.parent]
        self.astray = [e for e in edges if e.near not in self.parent and e.far not in self.parent]
        self.meshed = len(self.edges) > len(self.parent)

    def share_out(self, ports: Sequence[str]) -> None:
        """Work out each edge's share of each port's current, and the path resistances."""
        count = len(ports)
        for edge in self.edges:
            edge.shares = [0.0] * count
        if self.meshed:
            self._share_meshed(ports)
            return
        self.path_ohm = {BATTERY: 0.0}
        for node, (edge, behind) in self.parent.items():
            self.path_ohm[node] = self.path_ohm[behind] + edge.ohm
        for index, port in enumerate(ports):
            node = port
            while node != BATTERY:
                edge, behind = self.parent[node]
                edge.shares[index] = float(self.sign if edge.near == behind else -self.sign)
                node = behind

    def _share_meshed(self, ports: Sequence[str]) -> None:
        order = {node: index for index, node in enumerate(self.parent)}
        size = len(order)
        laplacian = [[0.0] * size for _ in range(size)]
        for edge in self.edges:
            conductance = 1.0 / edge.ohm
            first, second = order.get(edge.near), order.get(edge.far)
            if first is not None:
                laplacian[first][first] += conductance
            if second is not None:
                laplacian[second][second] += conductance
            if first is not None and second is not None:
                laplacian[first][second] -= conductance
                laplacian[second][first] -= conductance
        inverse = inverted(laplacian)
        self.path_ohm = {node: inverse[index][index] for node, index in order.items()}
        self.path_ohm[BATTERY] = 0.0
        zero = [0.0] * size
        for edge in self.edges:
            start = inverse[order[edge.near]] if edge.near in order else zero
            end = inverse[order[edge.far]] if edge.far in order else zero
            for index, port in enumerate(ports):
                column = order[port]
                edge.shares[index] = self.sign * (end[column] - start[column]) / edge.ohm


def inverted(matrix: Matrix) -> Matrix:
    """Inverse of a symmetric positive definite matrix by Gauss and Jordan, no pivoting needed."""
    size = len(matrix)
    work = [[*row, *(1.0 if i == j else 0.0 for j in range(size))] for i, row in enumerate(matrix)]
    for column in range(size):
        pivot = work[column][column]
        lead = work[column] = [each / pivot for each in work[column]]
        for row in range(size):
            if row != column and work[row][column]:
                factor = work[row][column]
                work[row] = [a - factor * b for a, b in zip(work[row], lead, strict=True)]
    return [row[size:] for row in work]


class Network:
    """The linear part of a plan's power network, ready for any demand.

    `ports` are the ids of the devices with both a feed and a return, in plan order. Conductors
    are at the temperature they settle at with long-term music.
    """

    __slots__ = ("edges", "feed", "ports", "returns", "transfer_ohm")

    def __init__(self, context: Context) -> None:
        plan = context.plan
        assumptions = plan.assumptions
        self.edges: dict[str, Edge] = {run.id: edge_of(run, assumptions) for run in plan.runs}
        feeds = [self.edges[run.id] for run in plan.runs if run.kind == "feed"]
        backs = [self.edges[run.id] for run in plan.runs if run.kind == "return"]
        if any(BODY in (edge.near, edge.far) for edge in backs):
            backs.append(Edge(None, BODY, BATTERY, assumptions.body_return_ohm or UNKNOWN_OHM))
        self.feed = Side(feeds, +1)
        self.returns = Side(backs, -1)
        self.ports: list[str] = [
            device.id
            for device in plan.devices
            if device.id in self.feed.parent and device.id in self.returns.parent
        ]
        self._warm_up(context)
        count = range(len(self.ports))
        transfer = [[0.0] * len(self.ports) for _ in self.ports]
        for side in (self.feed, self.returns):
            for edge in side.edges:
                shares = edge.shares
                ohm = edge.ohm
                for i in count:
                    if shares[i]:
                        lost = ohm * shares[i]
                        row = transfer[i]
                        for j in count:
                            row[j] += lost * shares[j]
        self.transfer_ohm = transfer

    def _warm_up(self, context: Context) -> None:
        draws = demands(context)
        supply_v = context.plan.supply.charging_v
        music = [draws[port].music_w / supply_v for port in self.ports]
        for side in (self.feed, self.returns):
            side.share_out(self.ports)
            for edge in side.edges:
                if edge.run is None or not edge.allowed_a:
                    continue
                current = 0.0
                for index, share in enumerate(edge.shares):
                    if share:
                        current += share * music[index]
                warm(
                    edge,
                    conductor_temperature_c(
                        current,
                        edge.allowed_a,
                        edge.run.conductor.insulation_c,
                        edge.ambient_c,
                    ),
                )
            if side.meshed:
                side.share_out(self.ports)
            else:
                for node, (edge, behind) in side.parent.items():
                    side.path_ohm[node] = side.path_ohm[behind] + edge.ohm


@worked_out_once
def network(context: Context) -> Network:
    """The network of a plan, worked out once per context."""
    return Network(context)


def newton(
    transfer_ohm: Matrix,
    open_v: float,
    source_ohm: float,
    power_w: Sequence[float],
    conductance_s: Sequence[float],
    current_a: Sequence[float],
    trace: list[list[float]] | None = None,
) -> list[float] | None:
    """Voltages at the ports [V], None when no voltage lets the supply carry the load.

    Port j draws power_w / V + conductance_s V + current_a. `trace` collects the iterates.
    """
    size = len(power_w)
    ports = range(size)
    volts = [open_v] * size
    tolerance = NEWTON_TOLERANCE * open_v
    for _ in range(NEWTON_STEPS):
        if trace is not None:
            trace.append(list(volts))
        drawn = [power_w[j] / volts[j] + conductance_s[j] * volts[j] + current_a[j] for j in ports]
        slope = [conductance_s[j] - power_w[j] / (volts[j] * volts[j]) for j in ports]
        rows: Matrix = []
        for k in ports:
            lost = volts[k] - open_v
            row = []
            z_row = transfer_ohm[k]
            for j in ports:
                ohm = z_row[j] + source_ohm
                lost += ohm * drawn[j]
                row.append(ohm * slope[j])
            row[k] += 1.0
            row.append(lost)
            rows.append(row)
        step = _solved(rows)
        if step is None:
            return None
        worst = 0.0
        for j in ports:
            volts[j] -= step[j]
            if not volts[j] > 0.0:
                return None
            if abs(step[j]) > worst:
                worst = abs(step[j])
        if worst <= tolerance:
            return volts
    return None


def _solved(rows: Matrix) -> list[float] | None:
    """Solution of the augmented system, None at a pivot that is not positive."""
    size = len(rows)
    for column in range(size):
        lead = rows[column]
        pivot = lead[column]
        if not pivot > 1e-12:
            return None
        for below in range(column + 1, size):
            row = rows[below]
            factor = row[column] / pivot
            if factor:
                for index in range(column + 1, size + 1):
                    row[index] -= factor * lead[index]
    solved = [0.0] * size
    for row_index in range(size - 1, -1, -1):
        row = rows[row_index]
        value = row[size]
        for index in range(row_index + 1, size):
            value -= row[index] * solved[index]
        solved[row_index] = value / row[row_index]
    return solved
