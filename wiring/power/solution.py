"""The power plan solved: voltage at each device, current and heat in each run, power left.

`solve(plan, at=...)` answers for full output, music or idle, engine cruising, idling or off.
"""

from dataclasses import dataclass
from typing import NamedTuple

from wiring.context import Context, worked_out_once
from wiring.plan import Device, Plan, Supply
from wiring.power.demand import DeviceDemand, State, demands
from wiring.power.network import Edge, Network, network, newton
from wiring.power.supply import (
    Engine,
    Source,
    battery_source,
    charging_source,
    helped_source,
    spare_alternator_a,
)


class Loads(NamedTuple):
    """What each port draws: constant power [W], conductance [S], constant current [A]."""

    power_w: list[float]
    conductance_s: list[float]
    current_a: list[float]

    def scaled(self, share: float) -> "Loads":
        """The same with every load at a share of itself."""
        return Loads(*([each * share for each in column] for column in self))

    def drawn_a(self, volts: list[float]) -> list[float]:
        """Current of each port at its voltage [A]."""
        return [
            power / volt + conductance * volt + current
            for power, conductance, current, volt in zip(
                self.power_w, self.conductance_s, self.current_a, volts, strict=True
            )
        ]


class Operating(NamedTuple):
    """Voltages and currents of the ports, in the network's order, and the source behind them."""

    source: Source
    terminal_v: float
    volts: list[float]
    amps: list[float]


class DeviceState(NamedTuple):
    """One device in the solution.

    `power_fraction` is the part of its full output left at this voltage: 1 for a regulated one,
    (U / rated U)^2 at most for another, 0 under its cut-off.
    """

    voltage_v: float
    current_a: float
    drop_v: float
    power_fraction: float
    cut_off: bool


class RunState(NamedTuple):
    """One run in the solution. Current is positive from its first to its second node."""

    current_a: float
    resistance_ohm: float
    drop_v: float
    heat_w: float
    conductor_c: float
    allowed_a: float


@dataclass(frozen=True, slots=True)
class PowerSolution:
    """The network in one state.

    `solved` is False when the supply cannot carry the load: the dictionaries then describe the
    largest part of it that can be carried, `carried_fraction`. `node_v` are feed-side potentials
    and `return_v` return-side potentials, both against battery negative. `unfed` lists devices
    without a whole path.
    """

    at: State
    engine: Engine
    solved: bool
    carried_fraction: float
    regime: str
    terminal_v: float
    source_a: float
    node_v: dict[str, float]
    return_v: dict[str, float]
    devices: dict[str, DeviceState]
    runs: dict[str, RunState]
    unfed: tuple[str, ...]
    plan: Plan


def loads_at(context: Context, ports: list[str], state: State) -> Loads:
    """What each port draws in a state. An unregulated amplifier acts as a conductance."""
    draws = demands(context)
    power: list[float] = []
    conductance: list[float] = []
    current: list[float] = []
    for port in ports:
        device = context.devices[port]
        demand = draws[port]
        watts = demand.power_w(state)
        if state == "idle" or demand.output_w == 0.0:
            power.append(0.0)
            conductance.append(0.0)
            current.append(device.idle_current_a)
        elif device.regulated is False:
            power.append(0.0)
            conductance.append(watts / device.rated_supply_v**2)
            current.append(0.0)
        else:
            power.append(watts)
            conductance.append(0.0)
            current.append(0.0)
    return Loads(power, conductance, current)


def operate(net: Network, supply: Supply, loads: Loads, engine: Engine) -> Operating | None:
    """Find the operating point; None when the supply cannot carry the load."""
    if engine == "off":
        return _from_source(net, loads, battery_source(supply))
    charging = _from_source(net, loads, charging_source(supply))
    spare = spare_alternator_a(supply, engine)
    if spare is None or (charging is not None and sum(charging.amps) <= spare):
        return charging
    helped = _from_source(net, loads, helped_source(supply, spare))
    if helped is None or sum(helped.amps) >= spare:
        return helped
    return _settle_between(net, supply, loads, spare)


def _from_source(net: Network, loads: Loads, source: Source) -> Operating | None:
    volts = newton(
        net.transfer_ohm,
        source.open_v,
        source.resistance_ohm,
        loads.power_w,
        loads.conductance_s,
        loads.current_a,
    )
    if volts is None:
        return None
    amps = loads.drawn_a(volts)
    return Operating(source, source.open_v - source.resistance_ohm * sum(amps), volts, amps)


def _settle_between(net: Network, supply: Supply, loads: Loads, spare_a: float) -> Operating | None:
    """Alternator alone at its limit: the voltage at which the load takes just that current."""
    low, high = supply.nominal_v, supply.charging_v
    operating: Operating | None = None
    for _ in range(60):
        middle = (low + high) / 2
        operating = _from_source(net, loads, Source(middle, 0.0, "alternator at its limit"))
        if operating is None or sum(operating.amps) < spare_a:
            low = middle
        else:
            high = middle
    return operating


def carried_share(net: Network, supply: Supply, loads: Loads, engine: Engine) -> float:
    """Largest share of the load the supply can carry [1], by halving, to 1 in 1000."""
    low, high = 0.0, 1.0
    while high - low > 0.001:
        middle = (low + high) / 2
        if operate(net, supply, loads.scaled(middle), engine) is None:
            high = middle
        else:
            low = middle
    return low


def power_fraction(device: Device, demand: DeviceDemand, voltage_v: float) -> float:
    """Part of full output left at a supply voltage [1]; see DeviceState."""
    if device.min_supply_v is not None and voltage_v < device.min_supply_v:
        return 0.0
    if device.regulated or demand.output_w == 0.0:
        return 1.0
    return min(1.0, (voltage_v / device.rated_supply_v) ** 2)


@worked_out_once
def operating(context: Context, state: State, engine: Engine) -> Operating | None:
    """The operating point of a plan, worked out once per context and state."""
    net = network(context)
    return operate(net, context.plan.supply, loads_at(context, net.ports, state), engine)


def run_current_a(edge: Edge, amps: list[float]) -> float:
    """Current in a run from the currents of the ports [A], from its first to its second node."""
    return sum(share * amp for share, amp in zip(edge.shares, amps, strict=False))


def solve(
    plan: Plan, at: State = "full", engine_running: bool = True, *, idling: bool = False
) -> PowerSolution:
    """Solve the power network of a plan.

    `at` is "full" (every channel in use at rated power), "music" (long-term mean at the shop's
    duty) or "idle". `idling` takes the alternator's output at idle instead of cruising. An
    amplifier draws constant power unless it is said to be unregulated. A supply that cannot
    carry the load gives `solved` False, never an error.
    """
    context = Context(plan)
    engine: Engine = "off" if not engine_running else "idling" if idling else "cruising"
    net = network(context)
    loads = loads_at(context, net.ports, at)
    point = operate(net, plan.supply, loads, engine)
    carried = 1.0
    if point is None:
        carried = carried_share(net, plan.supply, loads, engine)
        point = operate(net, plan.supply, loads.scaled(carried), engine)
    assert point is not None
    return _solution(context, net, point, at, engine, carried)


def _solution(
    context: Context, net: Network, point: Operating, at: State, engine: Engine, carried: float
) -> PowerSolution:
    runs: dict[str, RunState] = {}
    for run_id, edge in net.edges.items():
        current = run_current_a(edge, point.amps)
        runs[run_id] = RunState(
            current,
            edge.ohm,
            current * edge.ohm,
            current * current * edge.ohm,
            edge.conductor_c,
            edge.allowed_a,
        )
    node_v = {"battery": point.terminal_v}
    for node, (edge, behind) in net.feed.parent.items():
        lost = run_current_a(edge, point.amps) * edge.ohm
        node_v[node] = node_v[behind] - (lost if edge.near == behind else -lost)
    return_v = {"battery": 0.0}
    for node, (edge, behind) in net.returns.parent.items():
        risen = run_current_a(edge, point.amps) * edge.ohm
        return_v[node] = return_v[behind] - (risen if edge.near == behind else -risen)
    draws = demands(context)
    devices: dict[str, DeviceState] = {}
    for port, volt, amp in zip(net.ports, point.volts, point.amps, strict=True):
        device = context.devices[port]
        devices[port] = DeviceState(
            volt,
            amp,
            point.terminal_v - volt,
            power_fraction(device, draws[port], volt),
            device.min_supply_v is not None and volt < device.min_supply_v,
        )
    return PowerSolution(
        at,
        engine,
        carried == 1.0,
        carried,
        point.source.regime,
        point.terminal_v,
        sum(point.amps),
        node_v,
        return_v,
        devices,
        runs,
        tuple(device.id for device in context.plan.devices if device.id not in devices),
        context.plan,
    )
